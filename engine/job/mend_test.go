package job

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/engine/pitch"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// offScore is a score of eight quarters of 24024 samples and two layers of the
// same part; what is sung lies beside it by cents and samples.
func offScore(t *testing.T, cents []float64, late map[string][]int64) *score.Folder {
	t.Helper()
	keys := []uint8{57, 60, 62, 59}
	var notes []part.Note
	for i, k := range keys {
		notes = append(notes, part.Note{Start: timecode.R(int64(2*i), 1), Length: timecode.R(3, 2), Key: k})
	}
	s := &score.Score{Title: "off", SampleRate: 48000, Layers: []score.Layer{{Name: "alto", Notes: notes}, {Name: "tenor", Notes: notes}},
		Hits: []tempo.Hit{{Frame: 26, Must: true, Tolerance: 1, Lands: tempo.LandsBeat}},
		Map:  &tempo.Map{Style: tempo.Steady, Sections: []tempo.Section{{Bars: 3, FramesPerQuarter: timecode.R(12, 1)}}}}
	s.Map.Sections[0].Metre = tempo.Metre{Num: 4, Den: 4}
	s.Reference = score.Reference{Rate: timecode.Rate23976, Frames: 110}
	dir := filepath.Join(t.TempDir(), "s")
	if _, err := score.Create(dir, func(string) (*score.Score, error) { return s, nil }); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	for layer, by := range late {
		var sung []singer.Note
		for i, k := range keys {
			sung = append(sung, singer.Note{Start: int64(i)*48048 + 4800 + by[i], Length: 34000, Key: float64(k) + cents[i]/100, Vowel: "a", VibratoHz: 5.5, VibratoCents: 30})
		}
		v := singer.Voice{Seed: 3, SampleRate: 48000, Breath: 0.03}
		x := v.Sing(sung, 0, s.Length()+4800)
		w, err := take.Create(f.Dir, layer, take.Info{Start: -4800, SampleRate: 48000, RoundTripKnown: take.Typed})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Append(x); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Finish(); err != nil {
			t.Fatal(err)
		}
	}
	return f
}

// heardNotes are the notes of a layer as it is heard, on the timeline.
func heardNotes(t *testing.T, f *score.Folder, layer string) (notes []pitch.Note, x []float32, start int64) {
	t.Helper()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	l := s.Layer(layer)
	snd, ok, err := soundOf(f, l)
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	src, err := openHeard(context.Background(), f, s, l, snd)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if x, err = readWhole(context.Background(), src, src.Frames()); err != nil {
		t.Fatal(err)
	}
	frames, err := pitch.Track(x, 48000, pitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	notes = pitch.Segment(x, frames, 48000, pitch.SegmentOptions{})
	for i := range notes {
		notes[i].Onset += src.Start()
	}
	return notes, x, src.Start()
}

// asCheckHears is a layer as it is judged.
func asCheckHears(t *testing.T, f *score.Folder, layer string) *listened {
	t.Helper()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	snd, _, err := soundOf(f, s.Layer(layer))
	if err != nil {
		t.Fatal(err)
	}
	h, err := listenTo(context.Background(), f, s, s.Layer(layer), snd)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func addMend(t *testing.T, f *score.Folder, layer string, m score.Mend) MendReport {
	t.Helper()
	rep, err := AddMend(context.Background(), f, layer, m)
	if err != nil {
		t.Fatal(err)
	}
	return rep
}

func TestRetunedLayerIsHeardInTuneAndJudgedAsSung(t *testing.T) {
	cents := []float64{-40, 35, 0, 50}
	f := offScore(t, cents, map[string][]int64{"alto": {0, 0, 0, 0}})
	rep := addMend(t, f, "alto", score.Mend{Do: score.Retune, Amount: 1, SpeedMS: 120})
	if len(rep.Notes) < 3 || math.Abs(rep.Notes[0].Cents-40) > 3 || rep.Notes[0].Name != "A3" || rep.Notes[0].Bar != 1 {
		t.Errorf("%+v", rep.Notes)
	}
	notes, x, start := heardNotes(t, f, "alto")
	for i, want := range []float64{5700, 6000, 6200, 5900} {
		if len(notes) != 4 || math.Abs(notes[i].CentreCents-want) > 3 {
			t.Fatalf("heard: %+v, want %g", notes, want)
		}
	}
	if start != -4800 {
		t.Errorf("the layer begins at %d", start)
	}
	// Another way through the cache: the same file, the same samples.
	files, _ := filepath.Glob(f.Path("mended/*.wav"))
	if len(files) != 1 {
		t.Fatalf("the cache holds %v", files)
	}
	if err := os.WriteFile(files[0], []byte("RIFF"), 0o666); err != nil {
		t.Fatal(err)
	}
	_, again, _ := heardNotes(t, f, "alto") // a broken one is made anew
	for i := range x {
		if x[i] != again[i] {
			t.Fatalf("sample %d is %g, then %g", i, x[i], again[i])
		}
	}
	if got := asCheckHears(t, f, "alto").report.Notes[0].Cents; math.Abs(got+40) > 3 {
		t.Errorf("the check hears %.1f cents, -40 were sung", got)
	}
	// A mend of some bars only, then none: the old cache goes, the takes' own
	// samples are heard again.
	if _, err := ClearMends(context.Background(), f, "alto"); err != nil {
		t.Fatal(err)
	}
	notes, _, _ = heardNotes(t, f, "alto")
	if math.Abs(notes[0].CentreCents-5660) > 3 {
		t.Errorf("cleared, the first note is at %.1f", notes[0].CentreCents)
	}
}

// Without a part notes go to the scale at 440 Hz, which the other layers keep,
// and to the nearest eighth.
func TestALayerWithoutAPartIsMended(t *testing.T) {
	f := offScore(t, []float64{30, 35, 30, 28}, map[string][]int64{"alto": {1000, -1200, 900, 0}})
	if _, err := f.Edit("no part", func(s *score.Score) error { s.Layers[0].Notes = nil; return nil }); err != nil {
		t.Fatal(err)
	}
	addMend(t, f, "alto", score.Mend{Do: score.Retune, Amount: 1, SpeedMS: 150})
	addMend(t, f, "alto", score.Mend{Do: score.Retime, Amount: 1, To: score.ToGrid})
	notes, _, _ := heardNotes(t, f, "alto")
	for i, want := range []float64{5700, 6000, 6200, 5900} {
		if math.Abs(notes[i].CentreCents-want) > 3 {
			t.Errorf("note %d is at %.1f, want %g", i, notes[i].CentreCents, want)
		}
		if d := notes[i].Onset - int64(i)*48048; d < -400 || d > 400 {
			t.Errorf("note %d begins %.1f ms beside the beat", i, float64(d)/48)
		}
	}
}

func TestAMendOfBarsLeavesTheOthers(t *testing.T) {
	f := offScore(t, []float64{-40, 35, 30, 50}, map[string][]int64{"alto": {0, 0, 0, 0}})
	rep := addMend(t, f, "alto", score.Mend{Do: score.Retune, Amount: 0.5, SpeedMS: 120, From: 96096, By: 192192}) // bar 2
	if len(rep.Notes) != 2 {
		t.Errorf("%d notes change, want 2: %+v", len(rep.Notes), rep.Notes)
	}
	notes, _, _ := heardNotes(t, f, "alto")
	for i, want := range []float64{5660, 6035, 6215, 5925} {
		if math.Abs(notes[i].CentreCents-want) > 3 {
			t.Errorf("note %d is at %.1f, want %g", i, notes[i].CentreCents, want)
		}
	}
	// One over all comes later and counts; then bar 2 is left alone.
	addMend(t, f, "alto", score.Mend{Do: score.Retune, Amount: 1, SpeedMS: 120})
	addMend(t, f, "alto", score.Mend{Do: score.Retune, Amount: 0, From: 96096, By: 192192})
	notes, _, _ = heardNotes(t, f, "alto")
	for i, want := range []float64{5700, 6000, 6230, 5950} {
		if math.Abs(notes[i].CentreCents-want) > 3 {
			t.Errorf("the later mends: note %d is at %.1f, want %g", i, notes[i].CentreCents, want)
		}
	}
}

func TestRetimedLayers(t *testing.T) {
	f := offScore(t, []float64{0, 0, 0, 0}, map[string][]int64{"alto": {2400, -1920, 1440, 3000}, "tenor": {-1000, 2880, -2400, 1500}})
	near := func(layer string, want ...int64) {
		t.Helper()
		notes, _, _ := heardNotes(t, f, layer)
		if len(notes) != len(want) {
			t.Fatalf("%s: %d notes are heard, want %d", layer, len(notes), len(want))
		}
		for i, n := range notes {
			if d := n.Onset - want[i]; d < -300 || d > 300 {
				t.Errorf("%s: note %d begins %.1f ms beside %d", layer, i, float64(d)/48, want[i])
			}
		}
	}
	addMend(t, f, "alto", score.Mend{Do: score.Retime, Amount: 1, To: score.ToGrid})
	near("alto", 0, 48048, 96096, 144144)
	addMend(t, f, "tenor", score.Mend{Do: score.Retime, Amount: 1, To: "alto"}) // which is on the grid now
	near("tenor", 0, 48048, 96096, 144144)
	if underRace {
		return // the rest is more of the same, ten times slower
	}
	addMend(t, f, "alto", score.Mend{Do: score.Retime, Amount: 0.5, To: score.ToGrid})
	near("alto", 1200, 48048-960, 96096+720, 144144+1500)
	near("tenor", 1200, 48048-960, 96096+720, 144144+1500) // it follows: its cache is made anew
	addMend(t, f, "alto", score.Mend{Do: score.Retime, Amount: 1, To: score.ToHits})
	near("alto", 2400, 26*2002, 96096+1440, 144144+3000) // one hit, beside the second note
	if _, err := AddMend(context.Background(), f, "alto", score.Mend{Do: score.Retime, Amount: 1, To: "tenor"}); fault.KindOf(err) != fault.Usage {
		t.Errorf("a circle: %v", err)
	}
	if _, err := AddMend(context.Background(), f, "alto", score.Mend{Do: score.Retime, Amount: 1, To: "nobody"}); fault.KindOf(err) == fault.Unexpected || err == nil {
		t.Errorf("an unknown layer: %v", err)
	}
}

func TestColouredLayerIsMixedInItsColour(t *testing.T) {
	f := offScore(t, []float64{0, 0, 0, 0}, map[string][]int64{"alto": {0, 0, 0, 0}})
	if _, err := SetColour(f, "alto", "colour", []string{"pitch -12 st"}); err != nil {
		t.Fatal(err)
	}
	notes, heard, start := heardNotes(t, f, "alto")
	if len(notes) != 4 || math.Abs(notes[0].CentreCents-4500) > 3 {
		t.Fatalf("%+v", notes)
	}
	path := filepath.Join(t.TempDir(), "stem.wav")
	res, err := Bounce(context.Background(), f, BounceOptions{Path: path})
	if err != nil {
		t.Fatal(err)
	}
	mixed, _, err := audiofile.ReadMono(path, 48000, 1<<30)
	if err != nil {
		t.Fatal(err)
	}
	// The mean of two channels, each 3 dB down
	for i := 24000; i < 100_000; i++ {
		want := float64(heard[int64(i)-start]) * math.Sqrt2 / 2 * math.Pow(10, res.GainDB/20)
		if d := math.Abs(float64(mixed[i]) - want); d > 1e-4 {
			t.Fatalf("sample %d of the stem is %g, the layer as heard gives %g", i, mixed[i], want)
		}
	}
	out := filepath.Join(t.TempDir(), "a.wav")
	n, _, err := Audition(context.Background(), f, "alto", Stretch{10_000, 60_000}, out)
	if err != nil || n != 50_000 {
		t.Fatal(n, err)
	}
	for i, v := range readMono(t, out) {
		if d := math.Abs(float64(v - heard[int64(10_000+i)-start])); d > 1.0/(1<<22) {
			t.Fatalf("sample %d of the audition is %g, want %g", i, v, heard[int64(10_000+i)-start])
		}
	}
	if _, err := SetColour(f, "alto", "colour", []string{"polish"}); fault.KindOf(err) != fault.Malformed {
		t.Errorf("a line that is not known: %v", err)
	}
	// One that was broken by hand is told with its layer and its place.
	if _, err := f.Edit("by hand", func(s *score.Score) error { s.Layers[0].Colour = []string{"gain 1 dB", "pitch -12 parsec"}; return nil }); err != nil {
		t.Fatal(err)
	}
	_, err = Bounce(context.Background(), f, BounceOptions{Path: path})
	if fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), "layer alto") || !strings.Contains(err.Error(), "line 2") {
		t.Errorf("a broken line: %v", err)
	}
	checked, err := Verify(context.Background(), f, nil)
	if fault.KindOf(err) != fault.NotMet || !slices.ContainsFunc(checked, func(c Checked) bool { return c.Err != nil && c.What == "layer alto" }) {
		t.Errorf("verify: %v, %+v", err, checked)
	}
}

// A link in the place of the cache's folder is told, and nothing is written
// where it leads.
func TestTheCacheDoesNotLeaveTheScore(t *testing.T) {
	f := offScore(t, []float64{0, 0, 0, 0}, map[string][]int64{"alto": {0, 0, 0, 0}})
	elsewhere := t.TempDir()
	if err := os.Symlink(elsewhere, f.Path("mended")); err != nil {
		t.Skip("this system makes no links here")
	}
	if _, err := SetColour(f, "alto", "colour", []string{"lowpass 900 Hz"}); err != nil {
		t.Fatal(err)
	}
	_, _, err := Audition(context.Background(), f, "alto", Stretch{}, filepath.Join(t.TempDir(), "a.wav"))
	if fault.KindOf(err) != fault.Malformed {
		t.Errorf("a link: %v", err)
	}
	if left, _ := os.ReadDir(elsewhere); len(left) > 0 {
		t.Errorf("written elsewhere: %v", left)
	}
}
