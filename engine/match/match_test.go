package match

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"cuechoir/internal/fault"
)

const rate = 16000

// strokes is noise with a stroke every 400 ms, the first 200 ms in; each span is two seconds.
func strokes(shots int, early func(shot int) int) []float32 {
	x := make([]float32, shots*2*rate)
	rng := rand.New(rand.NewPCG(7, 1))
	for shot := range shots {
		for k := range 5 {
			at := shot*2*rate + rate/5 + k*2*rate/5 - early(shot)
			for i := range rate / 5 {
				x[at+i] = float32(0.3 * rng.NormFloat64() * math.Exp(-float64(i)/(0.03*rate)))
			}
		}
	}
	for i := range x {
		x[i] += float32(0.001 * rng.NormFloat64())
	}
	return x
}

func spans(shots int) (out []Span) {
	for i := range int64(shots) {
		out = append(out, Span{i * 2 * rate, (i + 1) * 2 * rate})
	}
	return out
}

// Whole stem 9 dB up; shot 2 6 dB softer, shot 3 60 ms early, shot 4 without
// its top, shot 5 5 dB louder: each is told, and nothing else.
func TestEachFaultAlone(t *testing.T) {
	ref := strokes(6, func(int) int { return 0 })
	stem := strokes(6, func(shot int) int {
		if shot == 2 {
			return 60 * rate / 1000
		}
		return 0
	})
	for i := 2 * rate; i < 4*rate; i++ {
		stem[i] *= float32(math.Pow(10, -6.0/20))
	}
	for i := 8 * rate; i < 10*rate; i++ {
		stem[i] *= float32(math.Pow(10, 5.0/20))
	}
	// Only the top band (6 kHz up) goes: four Butterworth sections at 4.5 kHz.
	for range 4 {
		s := butterworth(4500, rate, false)
		for i := 6 * rate; i < 8*rate; i++ {
			stem[i] = float32(s.next(float64(stem[i])))
		}
	}
	for i := range stem {
		stem[i] *= float32(math.Pow(10, 9.0/20))
	}
	r, err := Compare(ref, stem, rate, spans(6))
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.GainDB+9) > 0.1 {
		t.Errorf("common gain %.2f dB, not -9", r.GainDB)
	}
	want := []string{"", "soft", "early", "thin top", "loud", ""}
	for i, s := range r.Shots {
		got := ""
		for _, f := range s.Findings {
			got += f.Kind
			if f.Band != "" {
				got += " " + f.Band
			}
		}
		t.Logf("shot %d: %s; off %.2f dB, bands %.1f, %d of %d accents, %.1f ms, %d extra", i+1, s.Words(), s.LevelOffDB, s.BandOffDB, s.Met, s.Accents, s.AccentMS, s.Extra)
		if got != want[i] {
			t.Errorf("shot %d: %q, not %q", i+1, got, want[i])
		}
		if s.Accents != 5 || s.Met != 5 || s.Extra != 0 {
			t.Errorf("shot %d: %d of %d accents met, %d extra", i+1, s.Met, s.Accents, s.Extra)
		}
	}
	if d := r.Shots[0].StemDB - r.Shots[0].ReferenceDB; math.Abs(d) > 0.1 {
		t.Errorf("shot 1 lies %.2f dB off after the common gain", d)
	}
	for i := range 20 {
		if d := r.Stem[i] - r.Reference[i]; math.Abs(d) > 0.1 {
			t.Errorf("the curves lie %.2f dB apart at point %d", d, i)
		}
	}
	if v := r.Shots[1].LevelOffDB; math.Abs(v+6) > 0.2 {
		t.Errorf("shot 2 is %.2f dB off, not -6", v)
	}
	if v := r.Shots[2].AccentMS; math.Abs(v+60) > 4 {
		t.Errorf("shot 3 is %.1f ms off, not -60", v)
	}
}

func TestSilenceIsTold(t *testing.T) {
	ref := strokes(4, func(int) int { return 0 })
	stem := slices.Clone(ref)
	clear(stem[2*rate : 4*rate])
	clear(ref[4*rate : 6*rate])
	r, err := Compare(ref, stem, rate, spans(4))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"as the reference", "silent where the reference sounds", "sounds where the reference is silent", "as the reference"} {
		if got := r.Shots[i].Words(); got != want {
			t.Errorf("shot %d: %s, not %s", i+1, got, want)
		}
	}
	if _, err := Compare(ref, make([]float32, len(ref)), rate, spans(4)); fault.KindOf(err) != fault.Missing {
		t.Errorf("a silent stem: %v", err)
	}
}
