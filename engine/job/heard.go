package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// mendedDir holds layers as they are heard, mended and in their colour: a
// cache, which is made anew from the takes.
const mendedDir = "mended"

// heardForm counts what changes the sound of the same score: a file of an older
// form is made anew.
const heardForm = 2

// heardSound is a layer's sound as it is heard, to be read and placed.
type heardSound interface {
	mix.Source
	io.Closer
	SeekSample(int64) error
	Frames() int64
	Start() int64 // timeline sample
}

// asSung says whether a layer is heard as it was sung.
func asSung(l *score.Layer) bool { return len(l.Mends) == 0 && len(l.Colour) == 0 }

// openHeard opens a layer as it is heard: as sung, or mended and in its colour.
// What is heard goes through here; what is judged (check, comp) is read as
// sung, with layerSound.read.
func openHeard(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer, snd layerSound) (heardSound, error) {
	if asSung(l) {
		return snd.open(f, s.SampleRate)
	}
	rel, err := heardName(f, s, l, snd)
	if err != nil {
		return nil, err
	}
	if src, err := openMade(f, s, rel, snd); err == nil {
		return src, nil
	}
	if err := makeHeard(ctx, f, s, l, snd, rel); err != nil {
		return nil, err
	}
	return openMade(f, s, rel, snd)
}

// makeHeard makes the sound and keeps it under a name that says of what it was
// made; those of the same layer made of something else go.
func makeHeard(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer, snd layerSound, rel string) error {
	x, err := heardSamples(ctx, f, s, l, snd)
	if err != nil {
		return err
	}
	dir := f.Path(mendedDir)
	if err := ownFolder(dir); err != nil {
		return err
	}
	err = writeWAV(f.Path(rel), audiofile.Format{SampleRate: s.SampleRate, Channels: 1, Bits: 32, Float: true}, nil,
		func(w *audiofile.Writer) error { return w.Write(x) })
	if err != nil {
		return err
	}
	old, err := filepath.Glob(filepath.Join(dir, l.Name+".*.wav"))
	if err != nil {
		return nil // a name holds no pattern: see score.CheckName
	}
	for _, path := range old {
		if path != f.Path(rel) {
			os.Remove(path) // it is a cache: what stays does no harm
		}
	}
	return nil
}

// ownFolder makes a folder, or sees that it is one and not a link to another.
func ownFolder(dir string) error {
	if err := os.Mkdir(dir, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return fault.New(fault.Missing, "the folder for mended layers cannot be made").In(dir, "").Because(err)
	}
	if st, err := os.Lstat(dir); err != nil || !st.IsDir() {
		return fault.New(fault.Malformed, "this is no folder of the score's own").In(dir, "").Because(err).
			Mended("move it away: it holds mended layers, which are made anew")
	}
	return nil
}

// heardSamples is a layer's whole sound, mended and in its colour.
func heardSamples(ctx context.Context, f *score.Folder, s *score.Score, l *score.Layer, snd layerSound) (x []float32, err error) {
	colour, err := voice.ParseColour(l.Colour)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), "the colour of layer %s", l.Name).Because(err).
			Mended("see what lines there are: cuechoir colour list --lines")
	}
	if len(l.Mends) > 0 {
		x, _, err = mend(ctx, f, s, l, snd)
	} else {
		x, err = snd.read(ctx, f, s.SampleRate)
	}
	if err != nil {
		return nil, err
	}
	if ctx.Err() != nil {
		return nil, fault.New(fault.Interrupted, "stopped while layer %s was made", l.Name).Because(ctx.Err())
	}
	if x, err = colour.Apply(x, s.SampleRate); err != nil {
		return nil, fault.New(fault.KindOf(err), "the colour of layer %s", l.Name).Because(err)
	}
	return x, nil
}

// heardName is the cache's file for what a layer is made of: its takes and
// their places, its edits, and all that these lean on.
func heardName(f *score.Folder, s *score.Score, l *score.Layer, snd layerSound) (string, error) {
	of := map[string]any{"form": heardForm, "rate": s.SampleRate, "takes": snd.takes, "comp": snd.parts, "mends": l.Mends, "colour": l.Colour}
	if len(l.Mends) > 0 {
		of["frames"], of["map"], of["notes"], of["hits"] = s.Reference.Rate, s.Map, l.Notes, s.Hits
		leaders, err := leadersOf(f, s, l, nil)
		if err != nil {
			return "", err
		}
		of["leaders"] = leaders
	}
	text, err := json.Marshal(of)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(text)
	return mendedDir + "/" + l.Name + "." + hex.EncodeToString(sum[:8]) + ".wav", nil
}

// leadersOf are the layers that a layer's notes follow, and those that these
// follow, with all that says where their notes lie.
func leadersOf(f *score.Folder, s *score.Score, l *score.Layer, seen []string) ([]any, error) {
	var out []any
	for _, m := range l.Mends {
		if m.Do != score.Retime || m.To == score.ToGrid || m.To == score.ToHits {
			continue
		}
		for _, name := range seen {
			if name == m.To {
				return out, nil // a circle, which mending tells
			}
		}
		lead, err := Layer(s, m.To)
		if err != nil {
			return nil, err
		}
		snd, ok, err := soundOf(f, lead)
		if err != nil {
			return nil, err
		}
		if !ok {
			continue // told when it is mended
		}
		more, err := leadersOf(f, s, lead, append(seen, l.Name))
		if err != nil {
			return nil, err
		}
		out = append(out, m.To, snd.takes, snd.parts, lead.Mends, lead.Notes, more)
	}
	return out, nil
}

// madeSound reads a made layer from its file.
type madeSound struct {
	r     *audiofile.Reader
	file  *os.File
	start int64
}

func openMade(f *score.Folder, s *score.Score, rel string, snd layerSound) (heardSound, error) {
	file, err := f.OpenFile(rel)
	if err != nil {
		return nil, err
	}
	st, err := file.Stat()
	if err == nil {
		var r *audiofile.Reader
		if r, err = audiofile.NewWAVReader(file, st.Size(), rel); err == nil {
			fm := r.Format()
			if fm.Channels == 1 && fm.SampleRate == s.SampleRate && !r.Truncated() && r.Frames() >= snd.comp.Frames() {
				return madeSound{r, file, snd.comp.Start()}, nil
			}
			err = fault.New(fault.Malformed, "this is not a layer as it was made").In(rel, "")
		}
	}
	file.Close()
	return nil, err
}

func (m madeSound) Read(dst []float32) (int, error) { return readFull(m.r, dst) }
func (m madeSound) SeekSample(n int64) error        { return m.r.SeekFrame(n) }
func (m madeSound) Frames() int64                   { return m.r.Frames() }
func (m madeSound) Start() int64                    { return m.start }
func (m madeSound) Close() error                    { return m.file.Close() }

var _ heardSound = (*take.Comp)(nil)

// ColourName is a colour in a word: "none", its recipe's name while it is as it
// was, or "own".
func ColourName(lines []string) string {
	for _, r := range voice.Recipes() {
		if strings.Join(r.Lines, "\n") == strings.Join(lines, "\n") {
			return r.Name
		}
	}
	if len(lines) == 0 {
		return "none"
	}
	return "own"
}

// makeLayers makes the layers of a mix that are not heard as sung, before it
// begins, side by side.
func makeLayers(ctx context.Context, f *score.Folder, s *score.Score, layers []sung, progress Progress) error {
	var made []*sung
	var names []string
	for i := range layers {
		if c := &layers[i]; !asSung(&c.layer) {
			made, names = append(made, c), append(names, c.layer.Name)
		}
	}
	return sideBySide(names, progress, "making", func(i int) error {
		src, err := openHeard(ctx, f, s, &made[i].layer, made[i].sound)
		if err == nil {
			src.Close()
		}
		return err
	})
}
