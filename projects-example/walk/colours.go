package walk

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
	example "cuechoir/projects-example"
)

// Of a colour's example: seconds, and how soon before the bar it begins, so that
// a consonant is whole.
const (
	heardSeconds = 3
	heardBefore  = 0.12
)

// heardIn is which line of the example shows each colour, from which bar.
var heardIn = map[string]struct {
	layer string
	bar   int64
}{
	"low-brass": {"Trombone", 5}, "high-brass": {"Trumpet", 7}, "strings": {"Viola", 5}, "bass": {"Cello", 5},
	"timpani": {"Timpani", 5}, "snare": {"Snare", 5}, "cymbal": {"Cymbal", 5}, "choir": {"Alto", 8},
	"glass": {"Violin", 5}, "wind": {"Soprano", 3}, "alarm": {"Horn I", 8}, "crowd": {"Tenor", 8},
	"double": {"Alto", 15}, "octave": {"Tenor", 15}, "old-optical": {"Bass", 8},
}

// ColourExample is a colour as a line of the example gives it.
type ColourExample struct {
	Colour  string `json:"colour"`
	Layer   string `json:"layer"`
	Bar     int64  `json:"bar"`
	File    string `json:"file"`
	Samples int64  `json:"samples"`
}

// ColourExamples writes a WAV for each colour into a folder, which is made when
// it is not there: three seconds of a line of the example, sung by its synthetic
// voice in the tempo that its music has, mono, 24 bit, 48 kHz.
func ColourExamples(ctx context.Context, dir string) (out []ColourExample, err error) {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, fault.New(fault.Missing, "the folder cannot be made").In(dir, "").Because(err)
	}
	const rate = score.DefaultSampleRate
	lines := example.Layers()
	place := func(q timecode.Ratio) int64 { return example.SampleAt(q, rate) }
	for _, r := range voice.Recipes() {
		if ctx.Err() != nil {
			return nil, fault.New(fault.Interrupted, "stopped before all examples were written").Because(ctx.Err())
		}
		in, ok := heardIn[r.Name]
		k := slices.IndexFunc(lines, func(l example.Layer) bool { return l.Name == in.layer })
		if !ok || k < 0 {
			return nil, fault.New(fault.Unexpected, "the example has no line for the colour %q", r.Name)
		}
		from := place(timecode.Int(4*(in.bar-1))) - int64(heardBefore*rate)
		x := example.Perform(lines[k], place, example.Rate(), rate, from, heardSeconds*rate)
		e := ColourExample{r.Name, Slug(in.layer), in.bar, filepath.Join(dir, r.Name+".wav"), heardSeconds * rate}
		if err := job.WriteColoured(r.Lines, x, rate, e.File); err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}

// colours writes the examples beside the stem.
func (w *walker) colours(ctx context.Context) error {
	dir := w.f.Path(score.BouncesDir + "/colours")
	all, err := ColourExamples(ctx, dir)
	if err != nil {
		return err
	}
	var names []string
	for _, e := range all {
		names = append(names, e.Colour)
	}
	w.res.Files["colours"] = dir
	w.step("hear", "each colour, three seconds of a line: %s", strings.Join(names, ", "))
	return nil
}
