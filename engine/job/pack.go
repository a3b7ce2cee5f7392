package job

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"cuechoir/engine/mix"
	"cuechoir/engine/pack"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// PackOptions say what goes out to a friend. Layer is needed.
type PackOptions struct {
	Layer       string
	Click       ClickOptions // of it Plan and Sound
	NoGuide     bool
	NoReference bool
	Path        string // a .zip, else a new folder; "": bounces/pack-LAYER.zip in the score's folder
	Progress    Progress
}

// PackResult is the pack as written.
type PackResult struct {
	Path   string
	Letter pack.Letter
	Layout pack.Layout
	Notes  []string
}

// PackReferenceDB is the level of the reference's sound in a pack, against how
// it is: it must not cover the click.
const PackReferenceDB = -12

// The files of a pack.
const (
	packTextName  = "READ-ME-FIRST.txt"
	packPageName  = "read-me-first.html"
	packSingName  = "sing-to-this.wav"
	packBareName  = "sing-to-this-click-only.wav"
	packLearnName = "learn-your-part.wav"
)

// sheetName is where what went out is kept, in the score's folder.
func sheetName(layer string) string { return score.BouncesDir + "/pack-" + layer + ".json" }

// Pack makes what a friend needs to sing a layer elsewhere: sounds with chirps
// at head and tail, and instructions. What went out is kept for PackTake; it
// takes the place of the layer's pack before.
func Pack(ctx context.Context, f *score.Folder, o PackOptions) (PackResult, error) {
	s, err := f.Load()
	if err != nil {
		return PackResult{}, err
	}
	p, err := newPacking(f, s, o)
	if err != nil {
		return PackResult{}, err
	}
	defer p.Close()
	dir, err := os.MkdirTemp(filepath.Dir(p.res.Path), "."+filepath.Base(p.res.Path)+".*.partial")
	if err != nil {
		return p.res, fault.New(fault.Missing, "the pack cannot be made here").In(p.res.Path, "").Because(err)
	}
	defer os.RemoveAll(dir)
	if err := p.fill(ctx, dir); err != nil {
		return p.res, err
	}
	if err := p.write(ctx, f, dir); err != nil {
		return p.res, err
	}
	return p.res, nil
}

// packing is a pack in the making.
type packing struct {
	s        *score.Score
	o        PackOptions
	res      PackResult
	sounding *tempo.Sounding
	clicks   []tempo.Click
	notes    []pack.Note
	guide    *guide
	ref      *monoSource
	refFile  io.Closer
	marks    *pack.Marks
}

func (p *packing) Close() {
	if p.refFile != nil {
		p.refFile.Close()
	}
}

func newPacking(f *score.Folder, s *score.Score, o PackOptions) (*packing, error) {
	l, err := Layer(s, o.Layer)
	if err != nil {
		return nil, err
	}
	grid, clicks, err := clickSchedule(s, o.Click)
	if err != nil {
		return nil, err
	}
	p := &packing{s: s, o: o, clicks: clicks, notes: packNotes(l.Notes, grid, s.SampleRate)}
	if p.res.Path, err = packPath(f, o); err != nil {
		return nil, err
	}
	if p.sounding, err = tempo.NewSounding(clicks, s.SampleRate, o.Click.Sound); err != nil {
		return nil, err
	}
	p.res.Layout = pack.Layout{SampleRate: s.SampleRate, From: min(0, p.sounding.Start()), To: s.Length()}
	p.marks = pack.NewMarks(p.res.Layout)
	if !o.NoGuide {
		if g, err := newGuide(s, o.Layer, mix.Gain(GuideDB)); err == nil {
			p.guide = &g
		} else {
			p.res.Notes = append(p.res.Notes, "no tone sings the part along: the layer has no pitched notes")
		}
	}
	switch {
	case o.NoReference:
	case s.Reference.Sound == "":
		p.res.Notes = append(p.res.Notes, "the reference has no sound: there is the click and the guide alone")
	default:
		r, file, err := openReference(f, s)
		if err != nil {
			return nil, err
		}
		p.ref, p.refFile = &monoSource{r: r}, file
	}
	p.res.Letter = p.letter(l)
	return p, nil
}

// packPath is where it goes; a folder must be new.
func packPath(f *score.Folder, o PackOptions) (string, error) {
	path := o.Path
	if path == "" {
		return f.Path(score.BouncesDir + "/pack-" + o.Layer + ".zip"), nil
	}
	st, err := os.Lstat(path)
	if err == nil && (!isZip(path) || st.IsDir()) {
		return "", fault.New(fault.Conflict, "this exists already").In(path, "").Mended("name a new folder, or a file that ends in .zip")
	}
	return path, nil
}

func isZip(path string) bool { return strings.EqualFold(filepath.Ext(path), ".zip") }

func packNotes(notes []part.Note, grid *tempo.Grid, sampleRate int) []pack.Note {
	var out []pack.Note
	for _, n := range notes {
		out = append(out, pack.Note{Sample: grid.SampleAt(n.Start, sampleRate), Key: int(n.Key), Unpitched: n.Unpitched})
	}
	return out
}

// letter fills the page of instructions.
func (p *packing) letter(l *score.Layer) pack.Letter {
	rate := int64(p.s.SampleRate)
	out := pack.Letter{Title: p.s.Title, Layer: l.Name, Length: inWords(p.res.Layout.To, rate), Notes: len(l.Notes), Guide: p.guide != nil, Reference: p.ref != nil}
	for _, c := range p.clicks {
		if c.CountIn && c.Part == 0 {
			out.CountIn++
		}
	}
	var low, high uint8 = 255, 0
	for _, n := range l.Notes {
		if !n.Unpitched {
			low, high = min(low, n.Key), max(high, n.Key)
		}
	}
	if low <= high {
		out.Lowest, out.Highest = part.KeyName(low), part.KeyName(high)
	}
	if len(p.notes) > 0 && len(p.clicks) > 0 {
		out.FirstAfter = inWords(max(0, p.notes[0].Sample-p.clicks[0].Sample), rate)
		if out.First = "one"; !l.Notes[0].Unpitched {
			out.First = part.KeyName(l.Notes[0].Key)
		}
	}
	what := []string{"the click"}
	if out.Guide {
		what = append(what, "a plain tone of your part")
	}
	if out.Reference {
		what = append(what, "the trailer's own sound, quiet")
	}
	out.Files = []pack.Item{
		{Name: packSingName, What: "sing to this one: " + strings.Join(what, ", ") + ", and chirps at its beginning and end"},
		{Name: packBareName, What: "the same with the click alone, if you like that better"},
	}
	if out.Guide {
		out.Files = append(out.Files, pack.Item{Name: packLearnName, What: "to learn your part by: the tone and the click, without chirps"})
	}
	return out
}

// inWords is a length for people who have no frames to count.
func inWords(samples, rate int64) string {
	s := (samples + rate/2) / rate
	switch {
	case s < 60:
		return counted(s, "second")
	case s%60 == 0:
		return counted(s/60, "minute")
	}
	return counted(s/60, "minute") + " and " + counted(s%60, "second")
}

func counted(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// fill writes the files of the pack into dir.
func (p *packing) fill(ctx context.Context, dir string) error {
	l := p.res.Layout
	for i, file := range p.res.Letter.Files {
		w := packSound{packing: p, at: l.Start(), to: l.Stop(), guide: p.guide, ref: p.ref, chirps: true}
		switch file.Name {
		case packBareName:
			w.guide, w.ref = nil, nil
		case packLearnName:
			w.at, w.to, w.ref, w.chirps = l.From, l.To, nil, false
		}
		p.o.Progress.Show(int64(i), int64(len(p.res.Letter.Files)), "writing "+file.Name)
		if err := w.write(ctx, filepath.Join(dir, file.Name)); err != nil {
			return err
		}
	}
	text, err := p.res.Letter.Text()
	if err != nil {
		return err
	}
	page, err := p.res.Letter.HTML()
	if err != nil {
		return err
	}
	for name, b := range map[string][]byte{packTextName: text, packPageName: page} {
		if err := writeWhole(filepath.Join(dir, name), func(w io.Writer) error { _, err := w.Write(b); return err }); err != nil {
			return err
		}
	}
	return nil
}

// packSound is one sound of a pack, from timeline sample at to to.
type packSound struct {
	*packing
	at, to int64
	guide  *guide
	ref    *monoSource
	chirps bool
}

// write writes it: 16 bits, which everything plays.
func (w packSound) write(ctx context.Context, path string) error {
	if w.ref != nil {
		if err := w.ref.r.SeekFrame(0); err != nil {
			return err
		}
	}
	return writeWAV(path, audiofile.Format{SampleRate: w.s.SampleRate, Channels: 1, Bits: 16}, nil, func(out *audiofile.Writer) error {
		buf := make([]float32, 1<<16)
		for at := w.at; at < w.to; at += int64(len(buf)) {
			if ctx.Err() != nil {
				return fault.New(fault.Interrupted, "making the pack was stopped").Because(ctx.Err())
			}
			x := buf[:min(int64(len(buf)), w.to-at)]
			clear(x)
			if err := w.addReference(x, at); err != nil {
				return err
			}
			if w.guide != nil {
				w.guide.add(x, at)
			}
			w.sounding.Add(x, at)
			if w.chirps {
				w.marks.Add(x, at)
			}
			if err := out.Write(x); err != nil {
				return err
			}
		}
		return nil
	})
}

// addReference adds the reference's sound, which is read in order from frame 0.
func (w packSound) addReference(x []float32, at int64) error {
	skip := min(max(0, -at), int64(len(x)))
	if w.ref == nil || skip == int64(len(x)) {
		return nil
	}
	y := make([]float32, int64(len(x))-skip)
	n, err := w.ref.Read(y)
	if err != nil && !errors.Is(err, io.EOF) {
		return fault.New(fault.KindOf(err), "reading the reference's sound").Because(err)
	}
	gain := float32(mix.Gain(PackReferenceDB))
	for i, v := range y[:n] {
		if at+skip+int64(i) < w.res.Layout.To {
			x[skip+int64(i)] += gain * v
		}
	}
	return nil
}

// write puts the pack in its place, and keeps what is in it.
func (p *packing) write(ctx context.Context, f *score.Folder, dir string) error {
	sheet, err := pack.NewSheet(p.o.Layer, p.res.Layout, p.clicks, p.o.Click.Sound, p.notes).Encode()
	if err != nil {
		return err
	}
	keep := func() error {
		return writeWhole(f.Path(sheetName(p.o.Layer)), func(w io.Writer) error { _, err := w.Write(sheet); return err })
	}
	if !isZip(p.res.Path) {
		if err := os.Chmod(dir, 0o755); err != nil {
			return err
		}
		if err := keep(); err != nil {
			return err
		}
		if err := os.Rename(dir, p.res.Path); err != nil {
			return fault.New(fault.Conflict, "the folder cannot be put in its place").In(p.res.Path, "").Because(err)
		}
		return nil
	}
	names := []string{packTextName, packPageName}
	for _, file := range p.res.Letter.Files {
		names = append(names, file.Name)
	}
	return writeFile(p.res.Path, func(tmp *os.File) error {
		if err := pack.Zip(ctx, tmp, dir, "pack-"+p.o.Layer, names); err != nil {
			return err
		}
		return keep()
	})
}
