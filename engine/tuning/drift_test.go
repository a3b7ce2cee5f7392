package tuning

import (
	"math"
	"math/rand/v2"
	"testing"
)

// notesAt are note times over some minutes and deviations about 0.
func notesAt(rng *rand.Rand, n int, minutes, spread float64) []Point {
	p := make([]Point, n)
	for i := range p {
		p[i] = Point{minutes * (float64(i) + 0.8*rng.Float64()) / float64(n), spread * rng.NormFloat64()}
	}
	return p
}

// The 95 % interval holds the true slope about 95 times in a hundred, and is no
// wider than it need be: about 2*1.96 standard errors of a straight line.
func TestSlopeInterval(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	const trials, notes, minutes, spread = 600, 60, 2.0, 5.0
	held, width := 0, 0.0
	for range trials {
		p := notesAt(rng, notes, minutes, spread)
		for i := range p {
			p[i].Cents += -30 * p[i].Minutes
		}
		l := FitLine(p)
		if l.LeastPerMinute <= -30 && l.MostPerMinute >= -30 {
			held++
		}
		width += (l.MostPerMinute - l.LeastPerMinute) / trials
	}
	want := 2 * 1.96 * spread * math.Sqrt(12.0/notes) / minutes
	t.Logf("seed 11: holds the truth %.3f of the time; %.2f wide on average, %.2f by least squares", float64(held)/trials, width, want)
	if share := float64(held) / trials; share < 0.93 || share > 0.985 {
		t.Errorf("the interval holds the truth %.3f of the time", share)
	}
	if width > 1.15*want || width < 0.9*want {
		t.Errorf("the interval is %.2f wide, want about %.2f", width, want)
	}
}

func TestCurve(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	bend := func(m float64) float64 { return 10 - 40*max(0, m-1) } // level for a minute, then down
	p := notesAt(rng, 100, 2, 3)
	for i := range p {
		p[i].Cents += bend(p[i].Minutes)
		if i%9 == 4 {
			p[i].Cents += 150 // wild
		}
	}
	worst := 0.0
	for _, c := range Curve(p) {
		worst = max(worst, math.Abs(c.Cents-bend(c.Minutes)))
	}
	t.Logf("seed 12: worst %.1f cents from the truth, a ninth of the notes 150 cents off", worst)
	if worst > 6 {
		t.Errorf("the curve strays %.1f cents", worst)
	}
	for i, c := range Curve([]Point{{0, 1}, {1, 3}, {2, 100}}) {
		if c.Cents != 3 || c.Minutes != float64(i) {
			t.Errorf("of three points: %+v", c)
		}
	}
	if v := ValueAt([]Point{{1, 10}, {3, 20}}, 2.5); v != 17.5 {
		t.Errorf("between two points: %g", v)
	}
	if lo, hi := ValueAt([]Point{{1, 10}, {3, 20}}, 0), ValueAt([]Point{{1, 10}, {3, 20}}, 9); lo != 10 || hi != 20 {
		t.Errorf("beyond the ends: %g, %g", lo, hi)
	}
}

func TestWay(t *testing.T) {
	var even, bent []Point
	for i := range 50 {
		m := float64(i) / 25
		even = append(even, Point{m, -20 * m})
		bent = append(bent, Point{m, -40 * max(0, min(0.5, m-1))})
	}
	if w := FindWay(even); !w.Even {
		t.Errorf("an even drift: %+v", w)
	}
	if w := FindWay(bent); w.Even || w.FromMinutes < 0.95 || w.ToMinutes > 1.55 || w.Cents > -11 {
		t.Errorf("a drift within half a minute: %+v", w)
	}
}

// A singer who narrows each rising fourth, or sinks at each breath, is told
// from one who sinks evenly.
func TestCause(t *testing.T) {
	const layers, notes = 80, 60
	for _, c := range []struct {
		name     string
		interval int
		breath   bool
		each     float64 // cents
		even     float64 // cents a minute
		least    int     // named right at least, of layers
		most     int     // named wrong at most
	}{
		{"each rising fourth 4 cents narrow", 5, false, -4, 0, 60, 2},
		{"each breath 5 cents lower", 0, true, -5, 0, 70, 2},
		{"each falling third 4 cents narrow", -4, false, 4, 0, 60, 2},
		{"evenly -30 a minute", 0, false, 0, -30, layers, 0},
		{"evenly +20 a minute", 0, false, 0, 20, layers, 0},
	} {
		right, wrong := 0, 0
		for seed := range uint64(layers) {
			rng := rand.New(rand.NewPCG(seed, 13))
			var steps []Step
			var points []Point
			at := 0.0
			for i := range notes {
				s := Step{Point: Point{Minutes: float64(i)/40 + 0.01*rng.Float64()}}
				if i > 0 {
					s.Intervals = []int{[]int{-7, -4, -4, -2, -2, -1, 1, 2, 2, 4, 5, 5}[rng.IntN(12)]}
					s.Breath = rng.IntN(6) == 0
				}
				if c.each != 0 && (c.breath && s.Breath || !c.breath && len(s.Intervals) > 0 && s.Intervals[0] == c.interval) {
					at += c.each
				}
				s.Cents = at + c.even*s.Minutes + 4*rng.NormFloat64()
				steps, points = append(steps, s), append(points, s.Point)
			}
			got, ok := FindCause(steps, FitLine(points))
			switch {
			case !ok:
				if c.each == 0 {
					right++
				}
			case c.each != 0 && got.Interval == c.interval && got.Breath == c.breath && math.Abs(got.CentsEach-c.each) < 2:
				right++
			default:
				wrong++
			}
		}
		t.Logf("%s: right %d, wrong %d of %d", c.name, right, wrong, layers)
		if right < c.least || wrong > c.most {
			t.Errorf("%s: right %d (want %d), wrong %d (at most %d)", c.name, right, c.least, wrong, c.most)
		}
	}
}

func TestRemember(t *testing.T) {
	rng := rand.New(rand.NewPCG(14, 1))
	sing := func(slope float64) []Point {
		p := notesAt(rng, 80, 2, 3)
		for i := range p {
			p[i].Cents += slope * p[i].Minutes
		}
		return p
	}
	for _, c := range []struct {
		own, heard float64
		want       Kept
		beside     float64
	}{{0, 0, Steady, 0}, {-25, 0, Left, -25}, {-25, -25, Followed, 0}, {0, -25, Stood, 25}, {-25, 15, Left, -40}} {
		m, kept := Remember(sing(c.own), sing(c.heard))
		t.Logf("seed 14: own %+.0f, heard %+.0f: own %+.1f, heard %+.1f, beside %+.1f", c.own, c.heard, m.Own.CentsPerMinute, m.Heard.CentsPerMinute, m.Beside.CentsPerMinute)
		if kept != c.want || math.Abs(m.Beside.CentsPerMinute-c.beside) > 3 {
			t.Errorf("own %+.0f, heard %+.0f: %v, beside %+.1f; want %v, %+.0f", c.own, c.heard, kept, m.Beside.CentsPerMinute, c.want, c.beside)
		}
	}
	if _, kept := Remember(sing(-25), nil); kept != Unheard {
		t.Errorf("of nothing heard: %v", kept)
	}
}

// Chords of harmonic tones, the tuning planted; both go on past half a semitone.
func TestFollowTuning(t *testing.T) {
	const rate, seconds = 24000, 40
	for _, c := range []struct{ start, drift float64 }{{-40, -30}, {35, 45}} {
		rng := rand.New(rand.NewPCG(15, 1))
		x := make([]float32, seconds*rate)
		roots := []int{57, 53, 60, 55}
		for beat := range seconds {
			for _, up := range []int{0, 4, 7, 12} {
				phase := [5]float64{}
				for h := range phase {
					phase[h] = 6.3 * rng.Float64()
				}
				for i := range rate {
					at := beat*rate + i
					cents := c.start + c.drift*float64(at)/rate/60
					hz := 440 * math.Exp2((100*float64(roots[beat/2%4]+up-69)+cents)/1200)
					for h := range phase {
						phase[h] += 2 * math.Pi * hz * float64(h+1) / rate
						x[at] += float32(0.03 / float64(h+1) * math.Sin(phase[h]))
					}
				}
			}
			for i := range rate {
				x[beat*rate+i] += float32(0.003 * rng.NormFloat64())
			}
		}
		points, err := followTuning(x, 0, rate)
		if err != nil {
			t.Fatal(err)
		}
		l := FitLine(points)
		t.Logf("seed 15, %+.0f cents and %+.0f a minute: read %+.1f and %+.2f (%+.2f to %+.2f), %d points", c.start, c.drift, l.At(0), l.CentsPerMinute, l.LeastPerMinute, l.MostPerMinute, len(points))
		if math.Abs(l.CentsPerMinute-c.drift) > 2 || math.Abs(l.At(0)-c.start) > 5 || len(points) < seconds-2 {
			t.Errorf("%+.0f cents and %+.0f a minute: read %+.1f and %+.2f of %d points", c.start, c.drift, l.At(0), l.CentsPerMinute, len(points))
		}
	}
	noise := make([]float32, 10*rate)
	rng := rand.New(rand.NewPCG(16, 1))
	for i := range noise {
		noise[i] = float32(0.1 * rng.NormFloat64())
	}
	if p, _ := followTuning(noise, 0, rate); len(p) > 0 {
		t.Errorf("%d points of tuning in noise", len(p))
	}
	if _, err := followTuning(noise, 0, 50); err == nil {
		t.Error("no error at 50 Hz")
	}
}

// followTuning reads a whole sound at once.
func followTuning(x []float32, start int64, sampleRate int) ([]Point, error) {
	f, err := NewFollower(start, sampleRate)
	if err != nil {
		return nil, err
	}
	f.Add(x)
	return f.Points(), nil
}
