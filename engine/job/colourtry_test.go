package job

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// The row holds the layer as sung, without the colour that it has, and then
// what each colour makes of it, to the sample; the score and its cache stay.
func TestColoursInARow(t *testing.T) {
	f, sounds := sungScore(t)
	if _, err := SetColour(f, "alto", "colour", []string{"lowpass 300 Hz"}); err != nil {
		t.Fatal(err)
	}
	heard := filepath.Join(t.TempDir(), "heard.wav")
	if _, _, err := Audition(context.Background(), f, "alto", Stretch{}, heard); err != nil {
		t.Fatal(err)
	}
	cached, err := os.ReadDir(f.Path(mendedDir))
	if err != nil || len(cached) != 1 {
		t.Fatal(cached, err)
	}
	x := Stretch{4800, 52800}
	row, err := TryColours(context.Background(), f, "alto", []string{"high-brass", "timpani"}, x, nil)
	if err != nil {
		t.Fatal(err)
	}
	sung := sounds[len(sounds)-1][x.From:x.To]
	recipe, _ := voice.FindRecipe("high-brass")
	c, err := voice.ParseColour(recipe.Lines)
	if err != nil {
		t.Fatal(err)
	}
	brass, err := c.Apply(sung, 48000)
	if err != nil {
		t.Fatal(err)
	}
	if len(row.Tries) != 3 || row.Tries[0].Colour != "as sung" || row.Tries[1].Colour != "high-brass" || row.Tries[2].Number != 3 || row.DownDB != 0 {
		t.Fatalf("%+v", row.Tries)
	}
	for k, want := range [][]float32{sung, brass} {
		got := row.Samples[row.Tries[k].From:row.Tries[k].To]
		for i := 480; i < len(sung)-480; i++ {
			if got[i] != want[i] {
				t.Fatalf("%s: sample %d is %g, want %g", row.Tries[k].Colour, i, got[i], want[i])
			}
		}
	}
	if d := row.Tries[2].To - row.Tries[2].From - int64(len(sung)); d != 28800 {
		t.Errorf("a kettledrum rings on for %d samples, want 0.6 s", d)
	}
	peak := 0.0
	for _, v := range row.Samples[:row.Tries[0].From] {
		peak = max(peak, math.Abs(float64(v)))
	}
	if peak < 0.1 || peak > 0.2 {
		t.Errorf("the number is said at a peak of %.2f", peak)
	}
	left, err := os.ReadDir(f.Path(mendedDir))
	if err != nil || len(left) != 1 || left[0].Name() != cached[0].Name() {
		t.Errorf("the cache holds %v, was %v", left, cached)
	}
	checkRowIsWrittenAndPlayed(t, row)
}

func checkRowIsWrittenAndPlayed(t *testing.T, row *ColourRow) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "row.wav")
	if err := row.Write(path); err != nil {
		t.Fatal(err)
	}
	if y, _, err := audiofile.ReadMono(path, 48000, 0); err != nil || len(y) != len(row.Samples) {
		t.Errorf("%d samples were written of %d: %v", len(y), len(row.Samples), err)
	}
	var played []float32
	dev := &device.Virtual{SampleRate: 48000, OutChannels: 1, InChannels: -1, Listener: func(out []float32) { played = append(played, out...) }}
	defer dev.Close()
	var told []string
	res, err := row.Play(context.Background(), dev, 0, func(c ColourTry) { told = append(told, c.Colour) })
	if err != nil || res.Unheard != 0 || res.Frames != int64(len(row.Samples)) {
		t.Fatal(res, err)
	}
	if len(told) != len(row.Tries) {
		t.Errorf("told %v", told)
	}
	worst := 0.0
	for i, v := range row.Samples[:row.Tries[0].To] {
		if i < 960 {
			continue // the transport fades in
		}
		worst = max(worst, math.Abs(float64(v-played[i])))
	}
	if worst > 1e-6 {
		t.Errorf("played differs from the row by %g", worst)
	}
}

func TestColoursInARowAreRefused(t *testing.T) {
	f, _ := sungScore(t)
	ctx := context.Background()
	for what, run := range map[fault.Kind]func() error{
		fault.Missing: func() error { _, err := TryColours(ctx, f, "alto", []string{"polish"}, Stretch{}, nil); return err },
		fault.Usage:   func() error { _, err := TryColours(ctx, f, "alto", nil, Stretch{0, 48000 * 31}, nil); return err },
	} {
		if err := run(); fault.KindOf(err) != what {
			t.Errorf("%v: %v", what, err)
		}
	}
	stopped, stop := context.WithCancel(ctx)
	stop()
	if _, err := TryColours(stopped, f, "alto", nil, Stretch{0, 4800}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	if _, err := TryColours(ctx, f, "viola", nil, Stretch{}, nil); fault.KindOf(err) != fault.Missing {
		t.Errorf("a layer that is not there: %v", err)
	}
	row, err := TryColours(ctx, f, "alto", []string{"double"}, Stretch{}, nil)
	if err != nil || row.Stretch.To <= row.Stretch.From || row.Stretch.To-row.Stretch.From > 5*48000 {
		t.Errorf("without a stretch: %+v, %v", row, err)
	}
}
