package beats

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

// tapping is a person who taps: late by a constant, unsteady, missing some
// beats and bouncing on others.
type tapping struct {
	late, jitter float64 // seconds
	miss, bounce float64 // shares
}

func (p tapping) along(beats []float64, seed uint64) (taps []int64) {
	r := rand.New(rand.NewPCG(seed, 0x746170))
	missed := 0
	for _, b := range beats {
		if missed < 2 && r.Float64() < p.miss {
			missed++
			continue
		}
		missed = 0
		s := b + p.late + p.jitter*r.NormFloat64()
		taps = append(taps, int64(s*synthRate))
		if r.Float64() < p.bounce {
			taps = append(taps, int64((s+0.05+0.04*r.Float64())*synthRate))
		}
	}
	return taps
}

// errorsOf is, for each true beat, how far the nearest found one lies, in
// seconds; missing counts the true beats that none lies within a third of a
// beat of.
func errorsOf(found []int64, truth []float64) (rms float64, missing int) {
	sum, n := 0.0, 0.0
	for i, b := range truth {
		third := (truth[min(i+1, len(truth)-1)] - truth[max(i-1, 0)]) / 6
		best := math.Inf(1)
		for _, f := range found {
			if d := math.Abs(float64(f)/synthRate - b); d < best {
				best = d
			}
		}
		if best > third {
			missing++
			continue
		}
		sum += best * best
		n++
	}
	return math.Sqrt(sum / max(n, 1)), missing
}

func samplesOf(beats []Beat) (out []int64) {
	for _, b := range beats {
		out = append(out, b.Sample)
	}
	return out
}

// Taps on made-up references, mended with the sound and without.
func TestMendTaps(t *testing.T) {
	sum := map[string]float64{}
	n := 0.0
	for i, p := range []piece{
		{201, "march", 4, 96, "steady", "worn", 30}, {202, "ostinato", 4, 84, "sway", "voiced", 30}, {203, "waltz", 3, 132, "walk", "worn", 30},
		{204, "gallop", 4, 72, "slowing", "voiced", 30}, {205, "sparse", 4, 108, "sway", "clean", 30}, {206, "march", 2, 120, "walk", "voiced", 30},
	} {
		if underRace && i > 0 || i%2 == 1 && !wholeTable() {
			continue
		}
		person := tapping{late: []float64{0.08, 0.15, -0.03}[i%3], jitter: []float64{0.02, 0.03, 0.04}[(i+i/3)%3], miss: 0.06, bounce: 0.04}
		x, truth, _ := p.render()
		heard, err := Track(context.Background(), x, synthRate, Options{})
		if err != nil {
			t.Fatal(err)
		}
		taps := person.along(truth, p.seed)
		with, err := Mend(taps, &heard, synthRate, MendOptions{})
		if err != nil {
			t.Fatal(err)
		}
		alone, err := Mend(taps, nil, synthRate, MendOptions{LateSamples: int64(person.late * synthRate)})
		if err != nil {
			t.Fatal(err)
		}
		before, gone := errorsOf(taps, truth)
		after, missing := errorsOf(samplesOf(with.Beats), truth)
		smooth, _ := errorsOf(samplesOf(alone.Beats), truth)
		late := float64(with.LateSamples)/synthRate - person.late
		t.Logf("%s: tapped late %.0f ms ± %.0f: rms %.1f ms, %d missed; mended %.1f ms, %d missed, lateness off by %+.0f ms; without the sound, lateness known, %.1f ms",
			p, 1000*person.late, 1000*person.jitter, 1000*before, gone, 1000*after, missing, 1000*late, 1000*smooth)
		if math.Abs(late) > 0.02 {
			t.Errorf("%s: lateness is off by %.0f ms", p, 1000*late)
		}
		if missing > 2 {
			t.Errorf("%s: %d beats are missing", p, missing)
		}
		if len(with.Beats) > len(truth)+1 {
			t.Errorf("%s: %d beats of %d", p, len(with.Beats), len(truth))
		}
		sum["before"] += before * before
		sum["after"] += after * after
		sum["smooth"] += smooth * smooth
		n++
	}
	ms := func(k string) float64 { return 1000 * math.Sqrt(sum[k]/n) }
	t.Logf("all: rms %.1f ms before, %.1f ms mended with the sound, %.1f ms by the line alone", ms("before"), ms("after"), ms("smooth"))
	if ms("after") > 18 || ms("smooth") > 22 || ms("after") > ms("smooth") {
		t.Error("mended taps lie too far from the beats")
	}
}

// Taps of known faults, without a sound: each change is told.
func TestMendTells(t *testing.T) {
	const half = synthRate / 2
	var taps []int64
	for i := range int64(20) {
		if i != 7 { // missed
			taps = append(taps, i*half)
		}
	}
	taps[3] += 960                        // 40 ms late
	taps = append(taps, 12*half+2000)     // a bounce 83 ms after
	taps = append(taps, 30*half, 31*half) // after a pause of 11 beats
	got, err := Mend(taps, nil, synthRate, MendOptions{Metre: 3})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Beats) != 22 {
		t.Fatalf("%d beats, want 22: 0 to 19, 30, 31", len(got.Beats))
	}
	for i, b := range got.Beats {
		want := int64(i) * half
		if i >= 20 {
			want = int64(i+10) * half
		}
		if d := b.Sample - want; d < -360 || d > 360 {
			t.Errorf("beat %d lies %d samples off", i, d)
		}
		if first := i < 20 && i%3 == 0 || i == 20; b.Downbeat != first {
			t.Errorf("beat %d: begins a bar: %v", i, b.Downbeat)
		}
	}
	told := map[NoteKind][]int64{}
	for _, n := range got.Notes {
		told[n.Kind] = append(told[n.Kind], n.Sample)
	}
	if !slices.Equal(told[Filled], []int64{7 * half}) || !slices.Equal(told[Dropped], []int64{12*half + 2000}) || !slices.Equal(told[Pause], []int64{19 * half}) {
		t.Errorf("told %v", told)
	}
	if !slices.Contains(told[Smoothed], 3*half+960) {
		t.Errorf("the late tap is not told: %v", told[Smoothed])
	}
}

// Steady taps without a sound stay where they are.
func TestMendLeavesSteadyTaps(t *testing.T) {
	var taps []int64
	for i := range int64(16) {
		taps = append(taps, 1000+i*15000)
	}
	got, err := Mend(taps, nil, synthRate, MendOptions{})
	if err != nil || !slices.Equal(samplesOf(got.Beats), taps) || len(got.Notes) != 0 {
		t.Errorf("%v %v %v", samplesOf(got.Beats), got.Notes, err)
	}
}

// Whatever is tapped, the beats rise, and few are more than the taps and what
// was filled in.
func TestMendOfAnyTaps(t *testing.T) {
	x, _ := attacks(6)
	heard := track(t, x, synthRate, Options{})
	rapid.Check(t, func(t *rapid.T) {
		var taps []int64
		at := int64(0)
		for _, gap := range rapid.SliceOfN(rapid.IntRange(1, 20), 8, 40).Draw(t, "gaps") { // 50 ms to 1 s
			at += int64(gap) * synthRate / 20
			taps = append(taps, at)
		}
		sound := &heard
		if rapid.Bool().Draw(t, "silent") {
			sound = nil
		}
		got, err := Mend(taps, sound, synthRate, MendOptions{})
		if err != nil {
			if fault.KindOf(err) != fault.Usage {
				t.Fatal(err)
			}
			return
		}
		for i := 1; i < len(got.Beats); i++ {
			if got.Beats[i].Sample <= got.Beats[i-1].Sample {
				t.Fatalf("beat %d at %d does not come after %d", i, got.Beats[i].Sample, got.Beats[i-1].Sample)
			}
		}
		if len(got.Beats) > 4*len(taps) {
			t.Fatalf("%d beats of %d taps", len(got.Beats), len(taps))
		}
	})
}

func TestMendRefuses(t *testing.T) {
	ok := []int64{0, 12000, 24000, 36000}
	for name, f := range map[string]func() (Mended, error){
		"three taps":     func() (Mended, error) { return Mend(ok[:3], nil, synthRate, MendOptions{}) },
		"only bounces":   func() (Mended, error) { return Mend([]int64{1, 2, 3, 4, 5, 6}, nil, synthRate, MendOptions{}) },
		"a far tap":      func() (Mended, error) { return Mend(append(ok, math.MaxInt64), nil, synthRate, MendOptions{}) },
		"a far tap back": func() (Mended, error) { return Mend(append(ok, math.MinInt64), nil, synthRate, MendOptions{}) },
		"another rate":   func() (Mended, error) { return Mend(ok, &Result{SampleRate: 48000}, synthRate, MendOptions{}) },
		"no rate":        func() (Mended, error) { return Mend(ok, nil, 0, MendOptions{}) },
		"a long bar":     func() (Mended, error) { return Mend(ok, nil, synthRate, MendOptions{Metre: 13}) },
		"too late":       func() (Mended, error) { return Mend(ok, nil, synthRate, MendOptions{LateSamples: math.MaxInt64}) },
		"too many":       func() (Mended, error) { return Mend(make([]int64, 20_001), nil, synthRate, MendOptions{}) },
	} {
		if _, err := f(); fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A tapped passage takes the place of the tracked beats in its span.
func TestOverride(t *testing.T) {
	row := func(from, to, step int64) (out []Beat) {
		for s := from; s <= to; s += step {
			out = append(out, Beat{Sample: s})
		}
		return out
	}
	got := samplesOf(Override(row(0, 20000, 1000), row(5200, 9200, 2000)))
	want := []int64{0, 1000, 2000, 3000, 4000, 5200, 7200, 9200, 11000, 12000, 13000, 14000, 15000, 16000, 17000, 18000, 19000, 20000}
	if !slices.Equal(got, want) {
		t.Errorf("%v", got)
	}
	if got := Override(row(0, 3000, 1000), nil); len(got) != 4 {
		t.Errorf("%v", got)
	}
	if got := Override(nil, row(0, 3000, 1000)); len(got) != 4 {
		t.Errorf("%v", got)
	}
}
