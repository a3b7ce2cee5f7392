package check

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/engine/tuning"
	"cuechoir/internal/singer"
)

// heardLayer is a layer as checked: a note a second on each key, off by cents
// and late by ms.
func heardLayer(name string, keys []float64, cents, ms func(i int) float64) Heard {
	h := Heard{Name: name}
	for i, k := range keys {
		at := int64(48000 * (i + 1))
		h.Targets = append(h.Targets, Target{Start: at, End: at + 43200, Key: k, Bar: 1 + i/4, Beat: string(rune('1' + i%4)), Name: keyName(k)})
		c, late := cents(i), ms(i)
		h.Report.Notes = append(h.Report.Notes, NoteResult{Target: i, Sung: true, Key: k, Onset: at + int64(48*late), Offset: at + 43200, Cents: c, DetrendedCents: c,
			Milliseconds: late, RelativeMilliseconds: late, Confidence: 1, Verdict: tuning.BandOf(c).String()})
	}
	return h
}

func zero(int) float64 { return 0 }

func only(at int, v float64) func(int) float64 {
	return func(i int) float64 {
		if i == at {
			return v
		}
		return 0
	}
}

var betweenAt = BetweenOptions{SampleRate: 48000, Rate: timecode.Rate24}

// A note within 25 cents of its own target spoils the chord of a choir that lies
// on the other side: it is told, and once.
func TestSourNoteIsTold(t *testing.T) {
	risen := func(int) float64 { return 11 }
	layers := []Heard{
		heardLayer("bass", []float64{45, 45, 43, 45}, risen, zero), heardLayer("tenor", []float64{57, 57, 55, 57}, risen, zero),
		heardLayer("alto", []float64{64, 64, 62, 64}, func(i int) float64 { return 11 - only(2, 33)(i) }, zero),
		heardLayer("soprano", []float64{69, 69, 67, 69}, risen, zero),
	}
	h, err := Between(layers, betweenAt)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Chords) != 4 || len(h.Chords[2].Intervals) != 6 || h.Chords[2].Bar != 1 || h.Chords[2].Beat != "3" {
		t.Fatalf("chords: %+v", h.Chords)
	}
	if len(h.Findings) != 1 || h.Findings[0].Kind != Sour || h.Findings[0].Layer != 2 || h.Findings[0].Note != 2 || math.Abs(h.Findings[0].Cents+33) > 4 {
		t.Fatalf("findings: %+v", h.Findings)
	}
	if w := h.Findings[0].Words; !strings.Contains(w, "bar 1 beat 3 (D4): ") || !strings.Contains(w, "flat against bass, tenor and soprano") {
		t.Error(w)
	}
	// what the layer's own findings tell already is not told again
	layers[2].Report.Findings = []Finding{{Kind: Flat, Note: 2}}
	if h, _ := Between(layers, betweenAt); len(h.Findings) != 0 {
		t.Errorf("told twice: %+v", h.Findings)
	}
	// and a pure third is nobody's fault
	layers[2] = heardLayer("alto", []float64{61, 61, 59, 61}, func(int) float64 { return 11 - 13.7 }, zero)
	if h, _ := Between(layers, betweenAt); len(h.Findings) != 0 {
		t.Errorf("a pure third: %+v", h.Findings)
	}
}

func TestDoublesAgree(t *testing.T) {
	keys := []float64{57, 60, 64, 62, 60, 59, 57, 55}
	spread := []float64{-8, 5, 12, 0, -3, 70, 2, -10}
	a := heardLayer("alto", keys, zero, zero)
	b := heardLayer("alto-2", keys, func(int) float64 { return 6 }, func(i int) float64 { return 10 + spread[i] })
	c := heardLayer("tenor", []float64{57, 60, 64, 62, 61, 58, 56, 54}, zero, zero)
	h, err := Between([]Heard{a, b, c}, betweenAt)
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Doubles) != 1 {
		t.Fatalf("doubles: %+v", h.Doubles)
	}
	d := h.Doubles[0]
	if d.A != 0 || d.B != 1 || d.Notes != 8 || d.Milliseconds != 11 || math.Abs(d.Within30-7.0/8) > 1e-9 || d.Cents != 6 || d.SpreadCents != 0 {
		t.Errorf("%+v", d)
	}
	if len(h.Findings) != 1 || h.Findings[0].Kind != Apart || h.Findings[0].Layer != 1 || h.Findings[0].Note != 5 || math.Abs(h.Findings[0].Milliseconds-80) > 1 {
		t.Fatalf("findings: %+v", h.Findings)
	}
	if w := h.Findings[0].Words; w != "bar 2 beat 2 (B3): 80 ms after its double alto: sing it again with alto in your ear" {
		t.Error(w)
	}
	if h, err := Between([]Heard{a, {Name: "unsung", Targets: b.Targets}, {}}, betweenAt); err != nil || len(h.Doubles)+len(h.Chords) != 0 {
		t.Errorf("an unsung layer: %+v %v", h, err)
	}
}

// Sung chords: each interval comes back within 2 cents, each beat within what 2
// cents are, and the layer that was planted off is blamed.
func TestSungChords(t *testing.T) {
	const sr, beat = 48000, 60000
	seeds := []uint64{101, 102, 103}
	if underRace {
		seeds = seeds[:1]
	}
	worst, intervals := 0.0, 0
	for _, seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 8))
		chords := [][3]float64{{45, 57, 61}, {50, 57, 66}, {52, 56, 64}, {45, 52, 61}, {47, 56, 64}, {45, 57, 64}}
		var layers []Heard
		off := make([][]float64, 3)
		bad := make([]int, len(chords))
		for c := range chords {
			bad[c] = rng.IntN(3)
		}
		for v := range 3 {
			var targets []Target
			var notes []singer.Note
			for c, keys := range chords {
				cents := 4*rng.Float64() - 2
				if bad[c] == v {
					cents = -40
				}
				off[v] = append(off[v], cents)
				at := int64(beat * (c + 1))
				targets = append(targets, Target{Start: at, End: at + beat, Key: keys[v], Bar: c + 1, Beat: "1", Name: keyName(keys[v])})
				n := singer.Note{Start: at, Length: beat - 3000, Key: keys[v] + cents/100, Vowel: "a"}
				if v == 2 {
					n.VibratoHz, n.VibratoCents = 5.5, 25
				}
				notes = append(notes, n)
			}
			voice := singer.Voice{Seed: seed + uint64(v), SampleRate: sr, NoiseDB: -60, Breath: 0.03}
			in := Input{Samples: voice.Sing(notes, 0, int64(beat*(len(chords)+2))), SampleRate: sr, Rate: timecode.Rate24, Targets: targets}
			layers = append(layers, Heard{Name: []string{"bass", "tenor", "alto"}[v], Targets: targets, Report: mustLayer(t, in)})
		}
		h, err := Between(layers, betweenAt)
		if err != nil || len(h.Chords) != len(chords) {
			t.Fatalf("seed %d: %d chords, %v", seed, len(h.Chords), err)
		}
		for c, got := range h.Chords {
			for _, v := range got.Intervals {
				low, high := got.Members[v.Low], got.Members[v.High]
				want := off[high.Layer][c] - off[low.Layer][c]
				worst, intervals = max(worst, math.Abs(v.EqualCents-want)), intervals+1
				hz := func(m tuning.Member) float64 { return 440 * math.Exp2((chords[c][m.Layer]+off[m.Layer][c]/100-69)/12) }
				beats := math.Abs(hz(high)*float64(v.Just.Den) - hz(low)*float64(v.Just.Num))
				if slack := hz(high) * float64(v.Just.Den) * (math.Exp2(2.0/1200) - 1); math.Abs(v.BeatHz-beats) > slack {
					t.Errorf("seed %d chord %d: beats %.2f Hz, want %.2f", seed, c, v.BeatHz, beats)
				}
			}
			if got.Blame < 0 || got.Members[got.Blame].Layer != bad[c] {
				t.Errorf("seed %d chord %d: blamed %+v, planted in %d", seed, c, got.Chord, bad[c])
			}
		}
	}
	t.Logf("seeds %d: %d intervals, worst %.2f cents from the truth", seeds, intervals, worst)
	if worst > 2 {
		t.Errorf("an interval is told %.2f cents from the truth", worst)
	}
}
