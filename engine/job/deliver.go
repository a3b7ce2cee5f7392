package job

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"time"

	"cuechoir/engine/part"
	"cuechoir/engine/rehearse"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// DeliverOptions say what is handed over, and where. The zero value is the
// folder bounces/delivery.
type DeliverOptions struct {
	Folder string // must not exist; "": bounces/delivery
	Video  string // the reference's video; "": looked for, and done without
	Bounce BounceOptions
}

// DeliverResult is what lies in the folder: names inside it.
type DeliverResult struct {
	Folder string
	Files  []string
	Bounce BounceResult
	Notes  []string // what is left out, and why
}

// Deliver makes a folder that is whole or not there: the stem and the groups'
// stems as broadcast wave, a cue sheet as a table and as a page, the cuts and
// hits as marker lists, the map and the parts as a Standard MIDI File, and a
// preview of picture and stem. Errors: Conflict (the folder exists), Missing
// (nothing is sung), those of a bounce and of ffmpeg.
func Deliver(ctx context.Context, f *score.Folder, o DeliverOptions) (res DeliverResult, err error) {
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if res.Folder = o.Folder; res.Folder == "" {
		res.Folder = f.Path(score.BouncesDir + "/delivery")
	}
	if _, err := os.Lstat(res.Folder); !errors.Is(err, fs.ErrNotExist) {
		return res, fault.New(fault.Conflict, "this exists already").In(res.Folder, "").Mended("name a new folder")
	}
	dir, err := os.MkdirTemp(filepath.Dir(res.Folder), ".delivery.*.partial")
	if err != nil {
		return res, fault.New(fault.Missing, "the folder cannot be made here").In(res.Folder, "").Because(err)
	}
	defer os.RemoveAll(dir) // nothing is left of it once it has its name
	if err := res.fill(ctx, f, s, o, dir); err != nil {
		return res, err
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		return res, err
	}
	if err := os.Rename(dir, res.Folder); err != nil {
		return res, fault.New(fault.Conflict, "the folder could not be given its name").In(res.Folder, "").Because(err)
	}
	return res, nil
}

func (res *DeliverResult) fill(ctx context.Context, f *score.Folder, s *score.Score, o DeliverOptions, dir string) error {
	if err := res.sounds(ctx, f, o, dir); err != nil {
		return err
	}
	texts := []struct {
		name string
		make func() ([]byte, error)
	}{
		{"markers.csv", func() ([]byte, error) { return ExportCuts(s, "csv", "") }},
		{"markers.edl", func() ([]byte, error) { return ExportCuts(s, "edl", "") }},
		{"cuesheet.csv", func() ([]byte, error) { return cueTable(s) }},
		{"cuesheet.html", func() ([]byte, error) { return res.cuePage(ctx, f, s, o, dir) }},
		{"map.mid", func() ([]byte, error) { return deliveredMIDI(s) }},
	}
	for _, t := range texts {
		if t.name == "map.mid" && s.Map == nil {
			res.Notes = append(res.Notes, "no MIDI file: the score has no tempo map")
			continue
		}
		data, err := t.make()
		if err != nil {
			return fault.New(fault.KindOf(err), "making %s", t.name).Because(err)
		}
		if err := os.WriteFile(filepath.Join(dir, t.name), data, 0o644); err != nil {
			return fault.New(fault.DiskFull, "the file was not written whole").In(t.name, "").Because(err)
		}
		res.Files = append(res.Files, t.name)
	}
	return res.preview(ctx, f, s, o, dir)
}

// sounds bounces the stem, and puts the groups' stems in a folder of their own.
func (res *DeliverResult) sounds(ctx context.Context, f *score.Folder, o DeliverOptions, dir string) error {
	b := o.Bounce
	b.Path, b.Stems = filepath.Join(dir, "stem.wav"), true
	if b.Created.IsZero() {
		b.Created = time.Now()
	}
	var err error
	if res.Bounce, err = Bounce(ctx, f, b); err != nil {
		return err
	}
	res.Files = append(res.Files, "stem.wav")
	res.Bounce.Mix.Path = filepath.Join(res.Folder, "stem.wav")
	res.Notes = append(res.Notes, res.Bounce.Notes...)
	if err := os.Mkdir(filepath.Join(dir, "stems"), 0o755); err != nil {
		return err
	}
	for i := range res.Bounce.Stems {
		st := &res.Bounce.Stems[i]
		name := "stems/" + filepath.Base(st.Path)
		if err := os.Rename(st.Path, filepath.Join(dir, filepath.FromSlash(name))); err != nil {
			return err
		}
		st.Path = filepath.Join(res.Folder, filepath.FromSlash(name))
		res.Files = append(res.Files, name)
	}
	return nil
}

// deliveredMIDI is the map with its markers, and each part as a track, from
// where the written map begins.
func deliveredMIDI(s *score.Score) ([]byte, error) {
	grid, err := Grid(s)
	if err != nil {
		return nil, err
	}
	origin, from := part.Origin(grid)
	c := part.ConductorOf(grid, s.Title, mapMarks(s))
	c.Markers = append([]part.Marker{{At: timecode.Int(0), Text: beginsMark + from.String()}}, c.Markers...)
	var parts []part.Part
	for _, l := range s.Layers {
		p := part.Part{Name: l.Name}
		for _, n := range l.Notes {
			n.Start = n.Start.Sub(origin)
			p.Notes = append(p.Notes, n)
		}
		if len(p.Notes) > 0 {
			parts = append(parts, p)
		}
	}
	var b writtenBytes
	err = part.WriteSMF(&b, parts, c)
	return b, err
}

type writtenBytes []byte

func (b *writtenBytes) Write(p []byte) (int, error) { *b = append(*b, p...); return len(p), nil }

// preview lays the stem under the reference's picture, when there are both the
// picture and a native ffmpeg. Without it the rest is whole: that is noted.
func (res *DeliverResult) preview(ctx context.Context, f *score.Folder, s *score.Score, o DeliverOptions, dir string) error {
	if s.Reference.Samples > 0 {
		res.Notes = append(res.Notes, "no preview: the reference is sound alone")
		return nil
	}
	video, err := findVideo(f, s, o.Video)
	if err != nil {
		return err
	}
	if video.path == "" {
		res.Notes = append(res.Notes, "no preview: the reference's video was not found (--video)")
		return nil
	}
	program, err := rehearse.Encoder()
	if err != nil {
		res.Notes = append(res.Notes, "no preview: it needs ffmpeg on the PATH")
		return nil
	}
	path, err := filepath.Abs(video.path)
	if err != nil {
		return err
	}
	preview := filepath.Join(dir, "preview.mp4")
	cmd := exec.CommandContext(ctx, program, "-hide_banner", "-loglevel", "error", "-nostats", "-nostdin",
		"-protocol_whitelist", "file,pipe", "-i", "file:"+path,
		"-protocol_whitelist", "file,pipe", "-f", "wav", "-i", "file:"+filepath.Join(dir, "stem.wav"),
		"-map", "0:v:0", "-map", "1:a:0", "-map_metadata", "-1", "-pix_fmt", "yuv420p", "-c:a", "aac", "-b:a", "192k",
		"-movflags", "+faststart", "-f", "mp4", "file:"+preview)
	cmd.WaitDelay = 5 * time.Second
	o.Bounce.Progress.Show(0, 0, "writing the preview")
	if said, err := cmd.CombinedOutput(); err != nil {
		if ctx.Err() != nil {
			return fault.New(fault.Interrupted, "writing the preview was stopped").Because(ctx.Err())
		}
		_ = os.Remove(preview) // or what there is of it
		res.Notes = append(res.Notes, fmt.Sprintf("no preview: ffmpeg could not make it from %s (%.300s)", video.path, bytes.TrimSpace(said)))
		return nil
	}
	res.Files = append(res.Files, "preview.mp4")
	return nil
}
