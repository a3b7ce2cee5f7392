package check

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/engine/tuning"
	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// carefulLayer is a line of notes with vibrato, scoops, consonants and room; off
// is what each is off by, cents. It lasts about a minute with 60 notes. truth is
// each note's mean pitch as sung, in cents from its target: off and the voice's
// wander.
func carefulLayer(seed uint64, notes int, off func(i int) float64, v singer.Voice) (in Input, truth []float64) {
	const sr = 48000
	rng := rand.New(rand.NewPCG(seed, 31))
	var targets []Target
	var sung []singer.Note
	at, key := int64(sr), 57.0
	for i := range notes {
		length := int64((0.7 + 0.6*rng.Float64()) * sr)
		key = min(67, max(47, key+float64([]int{-5, -4, -2, -1, 1, 2, 2, 4, 5, -3, 3}[rng.IntN(11)])))
		if i%8 == 7 {
			at += sr / 2
		}
		targets = append(targets, Target{Start: at, End: at + length, Key: key, Bar: i/4 + 1, Beat: fmt.Sprint(i%4 + 1), Name: "la"})
		n := singer.Note{Key: key + off(i)/100, Vowel: []string{"a", "e", "i", "o", "u"}[rng.IntN(5)], Start: at, Length: length * 9 / 10,
			Consonant: []string{"", "t", "s", "m", "l", "k"}[rng.IntN(6)], LevelDB: 6*rng.Float64() - 3}
		if rng.IntN(2) == 0 {
			n.VibratoHz, n.VibratoCents = 5+rng.Float64(), 20+30*rng.Float64()
		}
		if rng.IntN(3) == 0 {
			n.ScoopCents = 60 * rng.Float64()
		}
		sung = append(sung, n)
		at += length
	}
	v.Seed, v.SampleRate, v.NoiseDB, v.Breath, v.JitterCents = seed, sr, -60, 0.05, 3
	plain := slices.Clone(sung) // the wander alone
	for i := range plain {
		plain[i].VibratoHz, plain[i].VibratoCents, plain[i].ScoopCents = 0, 0, 0
	}
	for i, n := range plain {
		sum, count := 0.0, 0.0
		for at := n.Start + sr/10; at < n.Start+n.Length; at += 48 {
			if hz := v.F0(plain, at); hz > 0 {
				sum, count = sum+6900+1200*math.Log2(hz/440), count+1
			}
		}
		truth = append(truth, sum/count-100*targets[i].Key)
	}
	return Input{Samples: v.Sing(sung, 0, at+sr), SampleRate: sr, Rate: timecode.Rate23976, Targets: targets}, truth
}

// leaveOutUnderRace: the work is one goroutine's, so that one layer that the
// race detector watches says as much as many.
func leaveOutUnderRace(t *testing.T) {
	if underRace {
		t.Skip("left out under the race detector")
	}
}

// Planted drifts come back within 2 cents a minute, and the interval that is
// told with them holds the truth.
func TestPlantedDriftsComeBack(t *testing.T) {
	slopes := []float64{-80, -40, -20, -10, -5, 5, 10, 20, 40, 80}
	if underRace {
		slopes = []float64{-40}
	}
	worst, held, total := 0.0, 0, 0
	for i, slope := range slopes {
		rng := rand.New(rand.NewPCG(uint64(i), 5))
		in, _ := carefulLayer(uint64(40+i), 70, func(int) float64 { return 10*rng.Float64() - 5 }, singer.Voice{DriftCentsPerMinute: slope})
		d := mustLayer(t, in).Drift
		off := d.CentsPerMinute - slope
		worst, total = max(worst, math.Abs(off)), total+1
		if d.LeastPerMinute <= slope && d.MostPerMinute >= slope {
			held++
		}
		t.Logf("seed %d, %+.0f a minute: %+.2f (%+.2f to %+.2f), significant %v", 40+i, slope, d.CentsPerMinute, d.LeastPerMinute, d.MostPerMinute, d.Significant)
		if math.Abs(off) > 2 {
			t.Errorf("%+.0f cents a minute is told as %+.2f", slope, d.CentsPerMinute)
		}
		if d.Significant && (d.Cause.Times > 0 || !d.Way.Even) {
			t.Errorf("%+.0f a minute is even, but told as %+v, %+v", slope, d.Way, d.Cause)
		}
		for _, c := range d.Curve {
			if w := slope * c.Minutes; math.Abs(c.Cents-w) > 6 {
				t.Errorf("%+.0f a minute: the curve is at %.1f where %.1f is true", slope, c.Cents, w)
				break
			}
		}
	}
	t.Logf("worst %.2f cents a minute; the interval holds the truth in %d of %d", worst, held, total)
	if held < total-2 {
		t.Errorf("the interval holds the truth in %d of %d", held, total)
	}
}

// A third of the notes are off by 8 to 70 cents: each comes back within 3 cents.
func TestPlantedNoteErrorsComeBack(t *testing.T) {
	seeds := []uint64{60, 61, 62, 63}
	if underRace {
		seeds = seeds[:1]
	}
	var miss []float64
	for _, seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 6))
		planted := make([]float64, 60)
		for i := range planted {
			planted[i] = 4*rng.Float64() - 2
			if i%3 == 1 {
				planted[i] = (8 + 62*rng.Float64()) * float64(1-2*rng.IntN(2))
			}
		}
		in, truth := carefulLayer(seed, len(planted), func(i int) float64 { return planted[i] }, singer.Voice{})
		r := mustLayer(t, in)
		for i, want := range truth {
			n := r.Notes[i]
			if n.Verdict == VerdictNotJudged {
				continue
			}
			off := math.Abs(n.Cents - want)
			miss = append(miss, off)
			if off > 3 {
				t.Errorf("seed %d note %d: %+.1f cents planted, %+.1f told (%s)", seed, i, want, n.Cents, n.Verdict)
			}
		}
		if r.Unsure > 2 || r.JudgedNotes < 50 {
			t.Errorf("seed %d: %d judged, %d too unsure", seed, r.JudgedNotes, r.Unsure)
		}
	}
	slices.Sort(miss)
	t.Logf("%d notes: median %.2f, 95 %% %.2f, worst %.2f cents from the truth", len(miss), dsp.Median(miss), miss[len(miss)*95/100], miss[len(miss)-1])
}

// A singer who narrows every rising fourth is told so.
func TestDriftNamesItsCause(t *testing.T) {
	leaveOutUnderRace(t)
	const seed = 71
	var keys []float64
	at, off := 0.0, map[int]float64{}
	probe, _ := carefulLayer(seed, 70, func(int) float64 { return 0 }, singer.Voice{})
	for i, g := range probe.Targets {
		keys = append(keys, g.Key)
		if i > 0 && keys[i]-keys[i-1] == 5 {
			at -= 6
		}
		off[i] = at
	}
	in, _ := carefulLayer(seed, 70, func(i int) float64 { return off[i] }, singer.Voice{})
	r := mustLayer(t, in)
	t.Logf("seed %d, %.0f cents in all: %+v; %+v", seed, at, r.Drift.Line, r.Drift.Cause)
	if c := r.Drift.Cause; c.Interval != 5 || math.Abs(c.CentsEach+6) > 1.5 {
		t.Errorf("the cause is %+v", c)
	}
	if len(r.Findings) == 0 || !strings.Contains(r.Findings[0].Words, "rising fourth: sing it wider") {
		t.Errorf("%+v", r.Findings)
	}
}

// At another A4, and in just intonation, the same layer is right or wrong by
// what the system says.
func TestSystems(t *testing.T) {
	leaveOutUnderRace(t)
	high := singer.Voice{TuneCents: 1200 * math.Log2(446.0/440)} // 23 cents
	in, _ := carefulLayer(80, 28, func(int) float64 { return 0 }, high)
	for _, c := range []struct {
		name string
		o    Options
		bias float64
		want []Kind
	}{
		{"A4 440", Options{}, 23.4, []Kind{TunedHigh}},
		{"A4 446", Options{System: tuning.System{A4Hz: 446}}, 0, nil},
		{"A4 free", Options{FreeA4: true}, 23.4, nil},
	} {
		in.Options = c.o
		r := mustLayer(t, in)
		if !slices.Equal(kinds(r), c.want) || math.Abs(r.BiasCents-c.bias) > 2 || math.Abs(r.A4Hz-446) > 0.5 {
			t.Errorf("%s: %v, bias %.1f, A4 %.1f Hz", c.name, kinds(r), r.BiasCents, r.A4Hz)
		}
	}
	just := tuning.System{Tonics: []tuning.Tonic{{From: 0, Class: 9}}}
	probe, _ := carefulLayer(81, 28, func(int) float64 { return 0 }, singer.Voice{})
	pure, _ := carefulLayer(81, 28, func(i int) float64 {
		return just.Cents(probe.Targets[i].Key, 0) - 100*probe.Targets[i].Key
	}, singer.Voice{})
	pure.Options.System = just
	if r := mustLayer(t, pure); len(r.Findings) > 0 || r.ErrorCents > 2 || r.Within10 < 0.99 {
		t.Errorf("a just layer against just: %v, median error %.1f", kinds(r), r.ErrorCents)
	}
	pure.Options.System = tuning.System{}
	if r := mustLayer(t, pure); r.ErrorCents < 5 || r.Within10 > 0.8 {
		t.Errorf("a just layer against equal: median error %.1f, within 10 %.2f", r.ErrorCents, r.Within10)
	}
	in.Targets, in.Options = nil, Options{System: tuning.System{A4Hz: 446}}
	if r := mustLayer(t, in); math.Abs(r.BiasCents) > 2 || len(r.Findings) > 0 {
		t.Errorf("against the scale at 446 Hz: bias %.1f, %v", r.BiasCents, kinds(r))
	}
	in.Options = Options{System: tuning.System{A4Hz: 440}}
	if r := mustLayer(t, in); math.Abs(r.BiasCents-23.4) > 2 || !slices.Equal(kinds(r), []Kind{TunedHigh}) {
		t.Errorf("against the scale at 440 Hz: bias %.1f, %v", r.BiasCents, kinds(r))
	}
}

// A note that sinks is told by how much.
func TestBend(t *testing.T) {
	const sr = 48000
	for _, glide := range []float64{-60, 0, 40} {
		notes := []singer.Note{{Start: sr, Length: 2 * sr, Key: 57, Vowel: "a", GlideCents: glide, VibratoHz: 5.5, VibratoCents: 30}}
		in := Input{Samples: singer.Voice{Seed: 3, SampleRate: sr, NoiseDB: -60}.Sing(notes, 0, 4*sr), SampleRate: sr, Rate: timecode.Rate24,
			Targets: []Target{{Start: sr, End: 3 * sr, Key: 57, Bar: 1}}}
		// the middles of the outer thirds of 2 s less 0.12 s at each end lie 1.17 s apart
		got, want := mustLayer(t, in).Notes[0].BendCents, glide*1.17/2
		if math.Abs(got-want) > 6 {
			t.Errorf("a glide of %g cents: bend %.1f, want %.1f", glide, got, want)
		}
	}
}
