package walk

import (
	"os"
	"path/filepath"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/picture"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/dsp"
	"cuechoir/internal/reftool"
	example "cuechoir/projects-example"
)

func TestMain(m *testing.M) {
	decoder.ServeIfAsked()
	os.Exit(m.Run())
}

// The whole job on the example: every cut, hit and planted fault is found,
// nothing clean is accused, and the stem lasts 1500 frames of 2002 samples
// (24000/1001 frames a second at 48 kHz).
func TestWalk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	res, err := Run(t.Context(), Options{Folder: dir, Say: func(f string, a ...any) { t.Logf(f, a...) }})
	if err != nil {
		t.Fatal(err)
	}
	const want = 1500 * 2002
	r, err := audiofile.Open(res.Files["stem"])
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Frames() != want || res.StemSamples != want {
		t.Errorf("the stem holds %d samples, the walk says %d, want %d", r.Frames(), res.StemSamples, want)
	}
	if res.RoundTrip != roomTrip {
		t.Errorf("the round trip was measured as %d samples, it is %d", res.RoundTrip, roomTrip)
	}
	coloured := 0
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	doc, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range doc.Layers {
		if len(l.Colour) > 0 {
			coloured++
		}
	}
	if coloured != 11 {
		t.Errorf("%d layers have a colour, want 11: all but the choir", coloured)
	}
	for name, path := range res.Files {
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Each colour has its three seconds, to the sample, neither silence nor clipped.
func TestColourExamples(t *testing.T) {
	if raceOn {
		t.Skip("LOUD SKIP: one goroutine alone; the plain run shows it")
	}
	dir := filepath.Join(t.TempDir(), "new", "colours")
	all, err := ColourExamples(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != len(voice.Recipes()) || len(all) != len(heardIn) {
		t.Errorf("%d examples of %d colours, %d lines", len(all), len(voice.Recipes()), len(heardIn))
	}
	for _, e := range all {
		x, fm, err := audiofile.ReadMono(e.File, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		peak := dsp.Peak(x)
		if len(x) != 144_000 || e.Samples != 144_000 || fm.SampleRate != 48_000 || fm.Channels != 1 || peak < 0.05 || peak > 0.991 {
			t.Errorf("%s: %d samples (told %d) at %d Hz, %d channels, peak %.3f", e.Colour, len(x), e.Samples, fm.SampleRate, fm.Channels, peak)
		}
		if rms := dsp.RMS(x); rms < 0.002 { // a cymbal is struck once
			t.Errorf("%s is all but silent: %.4f", e.Colour, rms)
		}
	}
}

// The trailer, read by the embedded decoder and by a native ffmpeg when there
// is one: the same 1500 frames and the same list, each hard cut on the very
// frame on which it was drawn.
func TestTrailerCuts(t *testing.T) {
	if raceOn {
		t.Skip("LOUD SKIP: under the race detector the embedded decoder takes minutes for what the plain run of this test shows")
	}
	film := filepath.Join(t.TempDir(), "trailer.mp4")
	if err := os.WriteFile(film, example.Trailer(), 0o644); err != nil {
		t.Fatal(err)
	}
	engines := []decoder.Engine{decoder.Embedded}
	if reftool.Find(t, "ffmpeg") != "" {
		engines = append(engines, decoder.Native)
	}
	for _, e := range engines {
		info, cuts, err := picture.Analyse(t.Context(), film, picture.Options{Engine: e})
		if err != nil {
			t.Fatal(err)
		}
		if info.Frames != example.Frames || info.Rate != example.Rate() || info.StartTimecode != example.StartTimecode {
			t.Errorf("%s: %d frames at %s from %s", e, info.Frames, info.Rate, info.StartTimecode)
		}
		truth := example.Truth()
		if len(cuts) != len(truth) {
			t.Fatalf("%s: %d cuts, want %d: %+v", e, len(cuts), len(truth), cuts)
		}
		for i, want := range truth {
			got := cuts[i]
			near := int64(0)
			if want.Kind != cutlist.HardCut {
				near = softEdge
			}
			if got.Kind != want.Kind || abs(got.Frame-want.Frame) > near || abs(got.End-want.End) > near {
				t.Errorf("%s: %s from %d to %d, want %s from %d to %d", e, got.Kind, got.Frame, got.End, want.Kind, want.Frame, want.End)
			}
		}
	}
}
