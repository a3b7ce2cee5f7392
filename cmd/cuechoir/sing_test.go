//go:build cgo && linux

package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/pulsetest"
)

// pairFile writes a file of two channels: at each frame i left(i) and -left(i)/2.
func pairFile(t *testing.T, path string, frames int, left func(i int) float32) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := audiofile.NewWriter(f, audiofile.Format{SampleRate: 48000, Channels: 2, Bits: 24}, audiofile.WriterOptions{Name: path})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, 0, 2*frames)
	for i := range frames {
		x = append(x, left(i), -left(i)/2)
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// Two singers at once: each layer gets a take of the channel it was given, whole
// and in its place; one layer may take any channel; what cannot be is refused.
func TestSingTwoLayersAtOnce(t *testing.T) {
	dir, files := filepath.Join(t.TempDir(), "s"), t.TempDir()
	silence, pair := filepath.Join(files, "silence.wav"), filepath.Join(files, "pair.wav")
	writeSilence(t, silence, 96_000)
	left := func(i int) float32 { return float32(0.3 * math.Sin(float64(i)/31) * math.Sin(float64(i)/9001)) }
	pairFile(t, pair, 96_000, left)
	command(t, "new", dir, "--reference", silence, "--rate", "24", "--quiet")
	for _, layer := range []string{"alto", "tenor"} {
		command(t, "-s", dir, "layer", "add", layer)
	}
	for _, c := range []struct {
		args []string
		gain []float32 // of the takes, in order
	}{
		{[]string{"alto", "tenor"}, []float32{1, -0.5}},
		{[]string{"alto", "tenor", "--channel", "2,1"}, []float32{-0.5, 1}},
		{[]string{"tenor", "--channel", "2"}, []float32{-0.5}},
		{[]string{"tenor"}, []float32{0.25}}, // the mean
	} {
		var sung struct {
			Takes  []take.Info `json:"takes"`
			Health []struct {
				Layer string `json:"layer"`
			} `json:"health"`
		}
		if err := json.Unmarshal([]byte(command(t, append([]string{"-s", dir, "sing", "--input", pair, "--json"}, c.args...)...)), &sung); err != nil {
			t.Fatal(err)
		}
		if len(sung.Takes) != len(c.gain) || len(sung.Health) != len(c.gain) {
			t.Fatalf("%v: %+v", c.args, sung)
		}
		for k, info := range sung.Takes {
			if info.Layer != c.args[k] {
				t.Errorf("%v: take %d is of %s", c.args, k, info.Layer)
			}
			x, _, err := audiofile.ReadAll(filepath.Join(dir, "takes", info.Layer, info.ID+".wav"), 0)
			if err != nil {
				t.Fatal(err)
			}
			for i, v := range x {
				at, want := int(info.Start)+i, float32(0)
				if at >= 0 && at < 96_000 {
					want = c.gain[k] * left(at)
				}
				if math.Abs(float64(v-want)) > 3.0/(1<<23) {
					t.Fatalf("%v: take %d, timeline sample %d is %v, want %v", c.args, k, at, v, want)
				}
			}
		}
	}
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"alto", "tenor", "--channel", "1"}, 2, "2 layers and 1 channels"},
		{[]string{"alto", "tenor", "--channel", "2,2"}, 2, "two voices are to come through input 2"},
		{[]string{"alto", "alto"}, 2, "named twice"},
		{[]string{"alto", "--channel", "3"}, 2, "no input 3"},
		{[]string{"alto", "bass"}, 6, "bass"},
	} {
		code, said := ended(append([]string{"-s", dir, "sing", "--input", pair}, c.args...)...)
		if code != c.code || !strings.Contains(said, c.says) {
			t.Errorf("%v ended with %d: %s", c.args, code, said)
		}
	}
	if infos, err := take.List(dir, "alto"); err != nil || len(infos) != 2 {
		t.Errorf("%d takes of alto, %v: what was refused left something behind", len(infos), err)
	}
}

// ended runs cuechoir and gives its exit code and what it said on the side.
func ended(args ...string) (int, string) {
	var out, errs strings.Builder
	code := run(args, nil, &out, &errs)
	return code, errs.String()
}

// Before the first sound through an output the caution is told at length, later in
// a line; what is printed for programs holds neither.
func TestRealAudioCaution(t *testing.T) {
	pulsetest.Start(t)
	dir, silence := filepath.Join(t.TempDir(), "s"), filepath.Join(t.TempDir(), "silence.wav")
	writeSilence(t, silence, 24_000)
	command(t, "new", dir, "--reference", silence, "--rate", "24", "--quiet")
	const long = "turn its volume right down before you put the headphones on"
	for _, c := range []struct {
		output string
		first  bool
	}{{"cc", true}, {"cc", false}, {"other", true}} {
		var out, errs strings.Builder
		if code := run([]string{"-s", dir, "play", "--reference", "-12", "--json", "--output", c.output}, nil, &out, &errs); code != 0 {
			t.Fatal(errs.String())
		}
		if said := strings.Contains(errs.String(), long); said != c.first || !strings.Contains(errs.String(), "volume") {
			t.Errorf("%s, first %v: %s", c.output, c.first, errs.String())
		}
		if !json.Valid([]byte(out.String())) || strings.Contains(out.String(), "volume") {
			t.Errorf("%s: %s", c.output, out.String())
		}
	}
}

// A device that turned its rate over is told by name, from when on, and what to do.
func TestRateIsTold(t *testing.T) {
	s := &score.Score{SampleRate: 48000}
	s.Reference.Rate, s.Reference.Frames, s.Reference.Start = timecode.Rate{Num: 24, Den: 1}, 480, 24*3600
	info := take.Info{Layer: "alto", SampleRate: 48000, Start: -48_000, Frames: 10 * 48_000, Rate: &take.Rate{Hz: 44_110, Sample: 3 * 48_000}}
	for _, c := range []struct {
		hz   float64
		want []string
	}{
		{44_110, []string{"ran at 44100 Hz, not 48000, from about 01:00:02:00", "too high", "set the device to 48000 Hz", "sing alto --span 01:00:02:00..01:00:09:00"}},
		{95_900, []string{"ran at 96000 Hz", "too low"}},
		{51_234, []string{"ran at about 51234 Hz"}},
	} {
		info.Rate.Hz = c.hz
		words := rateWords(s, info)
		for _, w := range c.want {
			if !strings.Contains(words, w) {
				t.Errorf("%v Hz: %q lacks %q", c.hz, words, w)
			}
		}
	}
	if got := placeOf(info); got != "the device ran at 51234 Hz from 3.00 s on" {
		t.Errorf("in the list: %q", got)
	}
}

// The quiet check is told in the list of takes, whichever way it went.
func TestPlacesAreTold(t *testing.T) {
	for want, i := range map[string]take.Info{
		"sure":                               {RoundTripKnown: take.Measured},
		"sure, the click is heard there":     {RoundTripKnown: take.Measured, Heard: &take.Heard{Lag: 40}},
		"by the click heard":                 {RoundTripKnown: take.ByEar, Heard: &take.Heard{Lag: 240}},
		"the click is heard 240 samples off": {RoundTripKnown: take.Typed, Heard: &take.Heard{Lag: 240}},
		"not measured":                       {RoundTripKnown: take.AssumedZero},
		"slipped by about -99 samples":       {RoundTripKnown: take.Measured, Slipped: -99, Heard: &take.Heard{}},
		"sure, with gaps":                    {RoundTripKnown: take.Measured, Dropouts: []take.Dropout{{Sample: 1, Length: 2}}},
	} {
		i.SampleRate = 48000
		if got := placeOf(i); got != want {
			t.Errorf("%+v: %q, want %q", i, got, want)
		}
	}
}
