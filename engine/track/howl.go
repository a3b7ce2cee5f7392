package track

import (
	"math"

	"cuechoir/internal/dsp"
)

// howlGuard notices feedback: the voice comes out of the headphones, leaks into
// the microphone, and comes out louder. It is for streams whose input is heard
// live, since only there the loop runs through us.
//
// Method: of each hop the strongest line of a Hann-windowed spectrum, its place
// (by a parabola through the logarithms), level and share of the power. A howl
// is a lone line that stays on its place and either grows evenly in decibels,
// as a loop with a gain does, or holds the limiter down. Both are told within
// howlHops hops of where they begin, 0.36 s at 48 kHz. After the tests of
// Waterschoot and Moonen, «Fifty Years of Acoustic Feedback Control»,
// Proceedings of the IEEE 99(2), 2011: peak-to-average, persistence and slope.
//
// Known failure: a howl that grows by less than howlSlope is told when it
// reaches the limiter; a pure, straight, whistled crescendo is told as a howl,
// which costs the live voice in the headphones and nothing in the take.
type howlGuard struct {
	rate    float64
	fft     *dsp.RealFFT
	window  []float64
	past    []float32 // the last howlWindow samples
	fill    int       // samples since the last look
	x       []float64
	bins    []complex128
	hops    [howlHops]howlLook // the newest last
	looked  int
	limited int // samples for which the limiter still counts as working
	told    bool
}

// howlLook is one spectrum: its strongest line.
type howlLook struct {
	hz, db  float64 // dBFS of a sine's peak
	pure    float64 // share of the line in all power, 0 to 1
	limited bool
}

const (
	howlWindow = 2048
	howlHop    = 1024
	howlHops   = 16

	howlPure     = 0.95  // a voice's harmonics take more than the rest
	howlHeldPure = 0.7   // the limiter squares a howl: its harmonics run through the loop too
	howlSpread   = 0.2   // bins that the line may move
	howlSlope    = 15.0  // dB a second
	howlStraight = 0.7   // dB RMS off an even growth
	howlUneven   = 0.1   // or so much of it: a long loop grows in steps
	howlLimited  = 8192  // samples: its work is told a callback at a time
	howlHeard    = -50.0 // dBFS at the end of the growth
	howlLoud     = -30.0 // dBFS, where the limiter holds it down
	howlHalf     = 3     // bins of a Hann line on either side
)

func newHowlGuard(sampleRate int) *howlGuard {
	fft, err := dsp.NewRealFFT(howlWindow)
	if err != nil {
		panic("track: " + err.Error()) // the length is ours
	}
	return &howlGuard{rate: float64(sampleRate), fft: fft, window: dsp.Hann(howlWindow), past: make([]float32, howlWindow),
		x: make([]float64, howlWindow), bins: make([]complex128, fft.Bins())}
}

// hear takes in captured samples, and whether the limiter has worked on the
// output since the last call. It is true once, when a howl is noticed.
func (g *howlGuard) hear(x []float32, limited bool) bool {
	if limited {
		g.limited = len(x) + howlLimited
	}
	for len(x) > 0 {
		n := min(len(x), howlHop-g.fill)
		copy(g.past, g.past[n:])
		copy(g.past[howlWindow-n:], x[:n])
		x = x[n:]
		g.limited = max(g.limited-n, 0)
		if g.fill += n; g.fill < howlHop {
			continue
		}
		g.fill = 0
		copy(g.hops[:], g.hops[1:])
		g.hops[howlHops-1] = g.look()
		if g.looked++; g.looked >= howlHops && !g.told && g.howls() {
			g.told = true
			return true
		}
	}
	return false
}

// look is the strongest line of the last window.
func (g *howlGuard) look() howlLook {
	for i, v := range g.past {
		g.x[i] = float64(v) * g.window[i]
	}
	g.fft.Forward(g.bins, g.x)
	power := func(k int) float64 { c := g.bins[k]; return real(c)*real(c) + imag(c)*imag(c) }
	all, best, most := 0.0, 0, 0.0
	for k := 1; k < len(g.bins)-1; k++ {
		p := power(k)
		all += p
		if p > most {
			best, most = k, p
		}
	}
	if best == 0 || best < 2 || best > len(g.bins)-3 {
		return howlLook{db: math.Inf(-1)}
	}
	line := 0.0
	for k := max(best-howlHalf, 1); k <= min(best+howlHalf, len(g.bins)-2); k++ {
		line += power(k)
	}
	a, b, c := math.Log(power(best-1)), math.Log(most), math.Log(power(best+1))
	shift := 0.0
	if d := a - 2*b + c; d < 0 {
		shift = min(max((a-c)/(2*d), -0.5), 0.5)
	}
	return howlLook{
		hz: (float64(best) + shift) * g.rate / howlWindow,
		// A sine of amplitude A under a Hann window has 3/32 A² N² of power around its bin.
		db:   10 * math.Log10(line*32/(3*howlWindow*howlWindow)),
		pure: line / all, limited: g.limited > 0,
	}
}

// howls judges the hops in hand.
func (g *howlGuard) howls() bool {
	low, high, held, pure := math.Inf(1), math.Inf(-1), true, 1.0
	for _, h := range g.hops {
		if pure = min(pure, h.pure); !(pure >= howlHeldPure) || math.IsInf(h.db, -1) {
			return false
		}
		low, high = min(low, h.hz), max(high, h.hz)
		held = held && h.limited && h.db >= howlLoud
	}
	if high-low > howlSpread*g.rate/howlWindow {
		return false
	}
	return held || pure >= howlPure && g.grows()
}

// grows reports an even growth, by a straight line of least squares.
func (g *howlGuard) grows() bool {
	const middle = float64(howlHops-1) / 2
	mean, sxy, sxx := 0.0, 0.0, 0.0
	for i, h := range g.hops {
		x := float64(i) - middle
		mean, sxy, sxx = mean+h.db/howlHops, sxy+x*h.db, sxx+x*x
	}
	slope, off := sxy/sxx, 0.0
	for i, h := range g.hops {
		d := h.db - mean - slope*(float64(i)-middle)
		off += d * d / howlHops
	}
	straight := max(howlStraight, howlUneven*slope*howlHops)
	return slope*g.rate/howlHop >= howlSlope && math.Sqrt(off) <= straight && g.hops[howlHops-1].db >= howlHeard
}
