package pitch

import (
	"math"
	"slices"
)

// band is the sound limited to what carries pitch, at a lower rate. Sample k
// of it stands at sample k*step of the original: no delay is left in it. Both
// rows have pad zeros (of their own samples) before and behind, so that windows
// need no bounds.
type band struct {
	y, slope []float32 // for the fine reading, and its change a sample
	low      []float32 // leaning on the low harmonics, for the choice of period
	pad      int
	step     int // original samples a sample of y
	lowStep  int // samples of y a sample of low
	rate     float64
	loud     []float64 // running sums of squares of y, without the pads
}

// The band: below MinHz*lowCut nothing is wanted (rumble), above highCutHz
// breath outweighs the harmonics (common practice).
const (
	targetRate   = 14700.0 // 44.1 kHz and 48 kHz are decimated by three
	highCutHz    = 3600.0
	lowCut       = 0.8
	tiltHz       = 500.0
	firHalf      = 12  // half length of the low-pass, in decimated samples
	lowOversight = 6.0 // samples of low a period of MaxHz, at least
)

func limitBand(x []float32, sampleRate int, o Options) *band {
	b := newBand(sampleRate, o)
	step := b.step
	h := lowPass(highCutHz/float64(sampleRate), firHalf*step)
	half := firHalf * step
	n := (len(x)-1)/step + 1
	b.y = make([]float32, n+2*b.pad)
	y := b.y[b.pad : b.pad+n]
	for k := range y {
		y[k] = float32(convolveAt(x, h, k*step, half))
	}
	highPassBothWays(y, lowCut*o.MinHz/b.rate)
	b.loud = runningSquares(y)
	b.slope = slopes(b.y)
	tilted := slices.Clone(y)
	tiltBothWays(tilted, tiltHz/b.rate)
	lows := (n-1)/b.lowStep + 1
	b.low = make([]float32, lows+2*b.pad)
	for k := range lows {
		b.low[b.pad+k] = tilted[k*b.lowStep]
	}
	return b
}

// newBand is a band without sound.
func newBand(sampleRate int, o Options) *band {
	b := &band{step: max(1, int(float64(sampleRate)/targetRate)), lowStep: 1}
	b.rate = float64(sampleRate) / float64(b.step)
	// The tilt leaves too little over a quarter of the rate to fold back.
	if b.rate/2 >= lowOversight*o.MaxHz {
		b.lowStep = 2
	}
	b.pad = int(b.rate*(baselineSeconds+windowSeconds+3/o.MinHz)) + 8
	return b
}

// lowRate is the rate of low, Hz.
func (b *band) lowRate() float64 { return b.rate / float64(b.lowStep) }

// slopes is y's change a sample, by a central difference of eighth order
// (Fornberg 1988, table 1): 2 % short at highCutHz.
func slopes(y []float32) []float32 {
	d := make([]float32, len(y))
	slopesInto(d, y)
	return d
}

// slopesInto is slopes into d, as long as y; its ends stay as they are.
func slopesInto(d, y []float32) {
	const reach = 4
	for k := reach; k+reach < len(y); k++ {
		s := y[k-reach : k+reach+1]
		d[k] = 4.0/5*(s[5]-s[3]) - 1.0/5*(s[6]-s[2]) + 4.0/105*(s[7]-s[1]) - 1.0/280*(s[8]-s[0])
	}
}

func runningSquares(y []float32) []float64 {
	sums := make([]float64, len(y)+1)
	for k, v := range y {
		sums[k+1] = sums[k] + float64(v)*float64(v)
	}
	return sums
}

// tiltBothWays runs a one-pole low-pass forward and back (cutoff in cycles a
// sample). Uneven periods show the more the higher the harmonic, and so pass
// for a longer period; a first formant on the second harmonic drowns the first,
// and so passes for a shorter one. A tilt mends both.
func tiltBothWays(y []float32, cutoff float64) {
	c := tiltShare(cutoff)
	var z float32
	for k, v := range y {
		z += c * (v - z)
		y[k] = z
	}
	z = 0
	for k := len(y) - 1; k >= 0; k-- {
		z += c * (y[k] - z)
		y[k] = z
	}
}

// tiltShare is the one-pole low-pass's share of the new sample.
func tiltShare(cutoff float64) float32 { return float32(1 - math.Exp(-2*math.Pi*cutoff)) }

// lowPass is a Hann-windowed sinc of 2*half+1 taps with its -6 dB point at
// cutoff (cycles a sample) and unit gain at 0 Hz.
func lowPass(cutoff float64, half int) []float32 {
	h := make([]float64, 2*half+1)
	sum := 0.0
	for i := range h {
		t := float64(i - half)
		v := 2 * cutoff
		if t != 0 {
			v = math.Sin(2*math.Pi*cutoff*t) / (math.Pi * t)
		}
		h[i] = v * (0.5 + 0.5*math.Cos(math.Pi*t/float64(half+1)))
		sum += h[i]
	}
	out := make([]float32, len(h))
	for i := range h {
		out[i] = float32(h[i] / sum)
	}
	return out
}

func convolveAt(x, h []float32, at, half int) float32 {
	lo, hi := at-half, at+half+1
	if lo >= 0 && hi <= len(x) {
		s := x[lo:hi]
		h = h[:len(s)]
		var a0, a1, a2, a3 float32
		i := 0
		for ; i+4 <= len(s); i += 4 {
			a0 += s[i] * h[i]
			a1 += s[i+1] * h[i+1]
			a2 += s[i+2] * h[i+2]
			a3 += s[i+3] * h[i+3]
		}
		for ; i < len(s); i++ {
			a0 += s[i] * h[i]
		}
		if sum := a0 + a1 + a2 + a3; sum-sum == 0 { // neither NaN nor infinite
			return sum
		}
	}
	var sum float32
	for i := max(lo, 0); i < min(hi, len(x)); i++ {
		if v := x[i]; v-v == 0 {
			sum += v * h[i-lo]
		}
	}
	return sum
}

// onward is a second-order Butterworth high-pass that runs forward (RBJ
// cookbook).
type onward struct{ b0, a1, a2, z1, z2 float64 }

// newOnward has its -3 dB point at cutoff, in cycles a sample.
func newOnward(cutoff float64) onward {
	w := 2 * math.Pi * cutoff
	alpha := math.Sin(w) / math.Sqrt2
	a0 := 1 + alpha
	return onward{b0: (1 + math.Cos(w)) / 2 / a0, a1: -2 * math.Cos(w) / a0, a2: (1 - alpha) / a0}
}

func (f *onward) step(v float32) float32 {
	in := f.b0 * float64(v)
	out := in + f.z1
	f.z1 = f.z2 - 2*in - f.a1*out
	f.z2 = in - f.a2*out
	return float32(out)
}

// highPassBothWays runs it forward and back, so that its phase cancels.
func highPassBothWays(y []float32, cutoff float64) {
	f := newOnward(cutoff)
	for k, v := range y {
		y[k] = f.step(v)
	}
	f.z1, f.z2 = 0, 0
	for k := len(y) - 1; k >= 0; k-- {
		y[k] = f.step(y[k])
	}
}

// index is where an original sample falls in the band, unrounded, without
// the pad.
func (b *band) index(sample int64) float64 { return float64(sample) / float64(b.step) }

// energy is the sum of squares over [from, to), clipped to the sound.
func (b *band) energy(from, to int) float64 {
	from, to = max(0, min(from, len(b.loud)-1)), max(0, min(to, len(b.loud)-1))
	return max(0, b.loud[to]-b.loud[from])
}

// levelSeconds is the width of the level reading: over a period of E2.
const levelSeconds = 0.024

func (b *band) levels(frames []Frame) {
	half := int(math.Round(levelSeconds / 2 * b.rate))
	for i := range frames {
		c := int(math.Round(b.index(frames[i].Sample)))
		frames[i].LevelDB = decibels(b.energy(c-half, c+half) / float64(2*half))
	}
}

// decibels of a mean square, not below MinLevelDB.
func decibels(square float64) float64 {
	if square < 1e-14 {
		return MinLevelDB
	}
	return 10 * math.Log10(square)
}
