package beats

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/internal/singer"
)

func strengthOf(t *testing.T, x []float32) strength {
	t.Helper()
	a, err := newAnalyser(synthRate)
	if err != nil {
		t.Fatal(err)
	}
	a.push(x)
	a.finish()
	return a.strength(synthRate)
}

func hiss(x []float32, level float64, r *rand.Rand) {
	for i := range x {
		x[i] += float32(level * r.NormFloat64())
	}
}

// What begins counts; a crackle, as loud, does not.
func TestCracklesDoNotCount(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	x := make([]float32, 12*synthRate)
	hiss(x, 0.001, r)
	var attacks, cracks []int
	for k := range 11 {
		s := 0.5 + float64(k)
		pluck(57, 0.3, 0.2).add(x, s, r)
		attacks = append(attacks, int(s*framesASecond))
		x[int((s+0.6)*synthRate)] += 0.9
		cracks = append(cracks, int((s+0.6)*framesASecond))
	}
	s := strengthOf(t, x)
	for k := range attacks {
		if a, c := nearby(s.all, attacks[k]), nearby(s.all, cracks[k]); a < 2 || c > 1.5 {
			t.Errorf("the attack counts %.2f, the crackle %.2f", a, c)
		}
	}
}

// A gliding voice stirs less than the same voice when its pitch jumps.
func TestGlidesCountLittle(t *testing.T) {
	voice := singer.Voice{Seed: 4, SampleRate: synthRate, AttackSeconds: 0.2}
	n := int64(10 * synthRate)
	still := voice.Sing([]singer.Note{{Length: n, Key: 50, Vowel: "a"}}, 0, n)
	waved := voice.Sing([]singer.Note{{Length: n, Key: 50, Vowel: "a", VibratoHz: 5, VibratoCents: 60}}, 0, n)
	a, b := strengthOf(t, still).stir, strengthOf(t, waved).stir
	t.Logf("rises of %.2f dB held, %.2f dB with vibrato", a, b)
	if b > 0.8 {
		t.Errorf("vibrato stirs by %.2f dB", b)
	}
}

// pulses puts bumps of a height at frames.
func pulses(x []float64, height float64, at ...int) {
	for _, t := range at {
		for d := -2; d <= 2; d++ {
			if k := t + d; k >= 0 && k < len(x) {
				x[k] += height * math.Exp(-0.5*float64(d*d))
			}
		}
	}
}

// A register that repeats counts more than one that does not.
func TestJoinPrefersWhatRepeats(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	regular, random := make([]float64, 4000), make([]float64, 4000)
	for t := 20; t < 4000; t += 70 {
		pulses(regular, 1, t)
		pulses(random, 1, r.IntN(4000))
	}
	normalise(regular, framesASecond)
	normalise(random, framesASecond)
	sum := join([][]float64{regular, random}, framesASecond)
	dot := func(a, b []float64) (s float64) {
		for i := range a {
			s += a[i] * b[i]
		}
		return s
	}
	if a, b := dot(sum, regular), dot(sum, random); a < 2*b {
		t.Errorf("what repeats counts %.0f, what does not %.0f", a, b)
	}
}

// Under a voice as loud, a steady beat is found better by firmer tempos than by
// the loosest alone.
func TestFollowIsFirm(t *testing.T) {
	if underRace {
		t.Skip("too long under the race detector")
	}
	p := pieces(20000, 13)[12] // a march at 116 BPM
	x, truth, _ := p.render()
	s, o := strengthOf(t, x), Options{}.withDefaults()
	grade := func(p path, err error) float64 {
		if err != nil {
			t.Fatal(err)
		}
		var found []float64
		for _, k := range p.frames {
			found = append(found, s.refine(k))
		}
		f, _ := fMeasure(found, truth)
		return f
	}
	firm := grade(follow(context.Background(), s, o))
	loose := grade(newFollower(s, o).run(context.Background(), firmnesses[0]))
	t.Logf("F %.3f, loosely %.3f", firm, loose)
	if firm < 0.95 || firm < loose+0.03 {
		t.Errorf("F %.3f, loosely %.3f", firm, loose)
	}
}

// Where hardly anything begins, no repeating makes a beat.
func TestStillnessIsNoBeat(t *testing.T) {
	s := strength{rate: framesASecond, all: make([]float64, 3000), stir: 4}
	for t := 20; t < 3000; t += 60 {
		pulses(s.all, 3, t)
	}
	o := Options{}.withDefaults()
	p, err := follow(context.Background(), s, o)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		stir float64
		sure bool
	}{{4, true}, {0.4, false}} {
		s.stir = c.stir
		if sure, err := confidence(context.Background(), p, s, o); err != nil || (sure >= Sure) != c.sure {
			t.Errorf("rises of %.1f dB: confidence %.2f %v", c.stir, sure, err)
		}
	}
}
