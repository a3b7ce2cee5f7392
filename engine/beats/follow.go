package beats

import (
	"context"
	"math"
	"slices"
)

// Aim: the row of beats that lies best on the onsets while its period moves
// slowly.
// Method: dynamic programming over moments and periods at once. A beat's worth
// is the onset strength there, up to a bound, less a share of that half a
// period before; an interval pays for the square of its logarithm against the
// period (Ellis 2007), a change of period for the square of its size, and each
// period has a worth from the tempogram and from a log-Gaussian preference
// (Ellis 2007, section 3). Periods as part of the state: Wu et al., «A
// two-fold dynamic programming approach to beat tracking for audio music with
// time-varying tempo», ISMIR 2011; Krebs, Böck and Widmer, «An efficient
// state-space model for joint tempo and meter tracking», ISMIR 2015. A beat's
// worth grows with its period, so that more beats are not better. It is done
// with loose, firmer and firm tempos; a firmer one is preferred when it loses
// little, as a narrower bell is the higher for it.
// Cost: frames × periods × (intervals + steps) for each firmness: about 5000
// additions a frame.
// Known failure: music whose halves are as strong as its beats may be followed
// at twice or half the tempo: give the range of tempos then.
const (
	periodsPerOctave = 28
	stepsAtOnce      = 4    // periods that a beat may move: 10 %
	shortest         = 0.87 // of an interval against its period
	longest          = 1.15

	// The weights were sought on 180 made-up references of other seeds than
	// the tests'.
	payInterval  = 70.0 // for the squared logarithm of an interval against its period
	payStep      = 0.08 // for the squared steps of the period
	payRestart   = 6.0  // for a beat anywhere, as after a hold
	restartAfter = 0.7  // of a period, at the soonest
	halfShare    = 0.2  // of the strength half a period before
	beatBonus    = 0.2
	gramShare    = 1.0
	preference   = 0.5
	mostStrength = 2.0
	growth       = 0.75 // worth grows with the period to this power
)

// firmness multiplies what intervals and steps pay; bonus is for each beat.
type firmness struct{ interval, step, bonus float64 }

var firmnesses = []firmness{{1, 1, 0}, {5, 10, 0.1}, {20, 60, 0.2}}

// path is a row of beats: their frames, and the period at each, in frames.
type path struct {
	frames []int
	period []float64
	worth  float64 // a second
}

// follow finds the best path for options that carry their defaults.
func follow(ctx context.Context, s strength, o Options) (path, error) {
	f := newFollower(s, o)
	var best path
	for _, firm := range firmnesses {
		p, err := f.run(ctx, firm)
		if err != nil {
			return path{}, err
		}
		if p.worth > best.worth {
			best = p
		}
	}
	return best, nil
}

// follower runs the dynamic programme.
type follower struct {
	o       []float64 // strength up to its bound
	rate    float64   // frames a second
	periods []float64 // frames
	growth  []float64 // what a beat of a period counts
	prefer  []float64
	gram    tempogram

	pay    [][]float64 // by period and interval, from `first` on
	first  []int
	step   float64
	score  [][]float64 // the last frames' scores by period, a ring
	from   []uint16    // by frame and period: the interval to the beat before
	before []uint8     // and that beat's period
	best   []bestSoFar
}

// bestSoFar is the best last beat up to a frame.
type bestSoFar struct {
	score         float64
	frame, period int
}

// restarted stands for an interval that began anew.
const restarted = math.MaxUint16

func newFollower(s strength, o Options) *follower {
	f := &follower{o: make([]float64, len(s.all)), rate: s.rate}
	for t, v := range s.all {
		f.o[t] = mostStrength * math.Tanh(v/mostStrength)
	}
	f.periods = periodGrid(s.rate, o.MinBPM, o.MaxBPM)
	f.gram = newTempogram(f.o, s.rate, f.periods)
	for _, p := range f.periods {
		x := math.Log2(60*s.rate/p/o.ExpectBPM) / spreadOctaves
		f.prefer = append(f.prefer, preference*-0.5*x*x+beatBonus)
		f.growth = append(f.growth, math.Pow(p/s.rate, growth))
		f.first = append(f.first, int(math.Ceil(p*shortest)))
	}
	depth := int(f.periods[len(f.periods)-1]*longest) + 2
	for range depth {
		f.score = append(f.score, make([]float64, len(f.periods)))
	}
	f.from = make([]uint16, len(f.o)*len(f.periods))
	f.before = make([]uint8, len(f.o)*len(f.periods))
	f.best = make([]bestSoFar, len(f.o))
	return f
}

// periodGrid is the lengths of a beat that are tried, in frames, from short to
// long.
func periodGrid(rate, minBPM, maxBPM float64) []float64 {
	octaves := math.Log2(maxBPM / minBPM)
	n := max(1, int(math.Ceil(octaves*periodsPerOctave)))
	out := make([]float64, n+1)
	for i := range out {
		out[i] = 60 * rate / maxBPM * math.Exp2(octaves*float64(i)/float64(n))
	}
	return out
}

func (f *follower) run(ctx context.Context, firm firmness) (path, error) {
	f.pay = f.pay[:0]
	for c, p := range f.periods {
		var pay []float64
		for d := f.first[c]; d <= int(p*longest); d++ {
			e := math.Log(float64(d) / p)
			pay = append(pay, firm.interval*payInterval*e*e)
		}
		f.pay = append(f.pay, pay)
	}
	f.step = firm.step * payStep
	m := len(f.periods)
	reach, interval := make([]float64, m), make([]int, m)
	for t := range f.o {
		if t%4096 == 0 && ctx.Err() != nil {
			return path{}, ctx.Err()
		}
		for c := range f.periods {
			reach[c], interval[c] = f.arrive(t, c)
		}
		best := bestSoFar{score: math.Inf(-1), frame: t}
		row := f.score[t%len(f.score)]
		for c, p := range f.periods {
			v, k := f.change(reach, c)
			v += f.growth[c] * (f.o[t] - halfShare*at(f.o, float64(t)-p/2) + gramShare*f.gram.at(t, c) + f.prefer[c])
			row[c] = v
			f.from[t*m+c], f.before[t*m+c] = uint16(interval[k]), uint8(k)
			if v > best.score {
				best.score, best.period = v, c
			}
		}
		if t > 0 && f.best[t-1].score > best.score {
			best = f.best[t-1]
		}
		f.best[t] = best
	}
	return f.trace(firm), nil
}

// arrive is the best way to a beat at t by an interval near period c: its
// score, and the interval, 0 for the first beat of all.
func (f *follower) arrive(t, c int) (float64, int) {
	best, interval := 0.0, 0
	if back := t - f.restart(c); back >= 0 {
		if v := f.best[back].score - payRestart; v > best {
			best, interval = v, restarted
		}
	}
	r := t%len(f.score) - f.first[c]
	for i, pay := range f.pay[c] {
		if f.first[c]+i > t {
			break
		}
		if r < 0 {
			r += len(f.score)
		}
		if v := f.score[r][c] - pay; v > best {
			best, interval = v, f.first[c]+i
		}
		r--
	}
	return best, interval
}

func (f *follower) restart(c int) int { return int(restartAfter*f.periods[c]) + 1 }

// change is the best period to come from into period c.
func (f *follower) change(reach []float64, c int) (float64, int) {
	best, from := math.Inf(-1), c
	for k := max(0, c-stepsAtOnce); k <= min(len(reach)-1, c+stepsAtOnce); k++ {
		d := float64(k - c)
		if v := reach[k] - f.step*d*d; v > best {
			best, from = v, k
		}
	}
	return best, from
}

func (f *follower) trace(firm firmness) path {
	var p path
	if len(f.best) == 0 {
		return p
	}
	m := len(f.periods)
	end := f.best[len(f.best)-1]
	t, c := end.frame, end.period
	for {
		p.frames, p.period = append(p.frames, t), append(p.period, f.periods[c])
		d, k := int(f.from[t*m+c]), int(f.before[t*m+c])
		if d == 0 {
			break
		}
		if d == restarted {
			b := f.best[t-f.restart(k)]
			t, c = b.frame, b.period
			continue
		}
		t, c = t-d, k
	}
	slices.Reverse(p.frames)
	slices.Reverse(p.period)
	p.worth = (end.score + firm.bonus*float64(len(p.frames))) * f.rate / float64(len(f.o))
	return p
}
