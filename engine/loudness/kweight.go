package loudness

import "math"

// biquad holds one second-order section, a0 = 1, in float64.
type biquad struct{ b0, b1, b2, a1, a2 float64 }

// kShelf48 and kHighPass48 are the two stages of K-weighting at 48 kHz
// (ITU-R BS.1770, Annex 1, tables 1 and 2).
var (
	kShelf48    = biquad{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585}
	kHighPass48 = biquad{1, -2, 1, -1.99004745483398, 0.99007225036621}
)

// The analogue shape behind the two tables, found by undoing the bilinear
// transform at 48 kHz; De Man, "Evaluation of Implementations of the EBU R128
// Loudness Measurement", AES 145 (2018), gives the same figures.
const (
	shelfHz       = 1681.974450955533
	shelfGainDB   = 3.999843853973347
	shelfQ        = 0.7071752369554196
	shelfMidPower = 0.4996667741545416 // exponent of the gain at shelfHz
	highPassHz    = 38.13547087602444
	highPassQ     = 0.5003270373238773
)

// kWeighting gives the two stages at a sample rate in Hz: the standard's own
// figures at 48 kHz, else the same analogue shape through the bilinear
// transform.
func kWeighting(sampleRate int) (shelf, highPass biquad) {
	if sampleRate == 48000 {
		return kShelf48, kHighPass48
	}
	return deriveK(float64(sampleRate))
}

func deriveK(fs float64) (shelf, highPass biquad) {
	k := math.Tan(math.Pi * shelfHz / fs)
	vh := math.Pow(10, shelfGainDB/20)
	vb := math.Pow(vh, shelfMidPower)
	a0 := 1 + k/shelfQ + k*k
	shelf = biquad{
		b0: (vh + vb*k/shelfQ + k*k) / a0,
		b1: 2 * (k*k - vh) / a0,
		b2: (vh - vb*k/shelfQ + k*k) / a0,
		a1: 2 * (k*k - 1) / a0,
		a2: (1 - k/shelfQ + k*k) / a0,
	}
	k = math.Tan(math.Pi * highPassHz / fs)
	a0 = 1 + k/highPassQ + k*k
	highPass = biquad{b0: 1, b1: -2, b2: 1, a1: 2 * (k*k - 1) / a0, a2: (1 - k/highPassQ + k*k) / a0}
	// The standard's numerator 1, -2, 1 leaves a gain above the pass band's edge
	// that depends on the rate; "the same frequency response" at each rate
	// (Annex 1) takes that of 48 kHz. It is put into the shelf, so that the
	// high-pass keeps its whole numbers.
	gain := kHighPass48.topGain() / highPass.topGain()
	shelf.b0, shelf.b1, shelf.b2 = shelf.b0*gain, shelf.b1*gain, shelf.b2*gain
	return shelf, highPass
}

// topGain is the gain at half the sample rate.
func (b biquad) topGain() float64 { return (b.b0 - b.b1 + b.b2) / (1 - b.a1 + b.a2) }

// kState is the memory of both stages for one channel (transposed direct
// form II).
type kState struct{ s1, s2, h1, h2 float64 }

// energy runs x through both stages and adds the squares of the result to
// sum. Products are rounded before they are added, so that every processor
// gives the same bits (Go may fuse a*b+c otherwise).
func (k *kState) energy(x []float64, shelf, hp biquad, sum float64) float64 {
	s1, s2, h1, h2 := k.s1, k.s2, k.h1, k.h2
	for _, v := range x {
		y := float64(shelf.b0*v) + s1
		s1 = float64(shelf.b1*v) - float64(shelf.a1*y) + s2
		s2 = float64(shelf.b2*v) - float64(shelf.a2*y)
		z := y + h1 // highPass.b0 is 1
		h1 = float64(hp.b1*y) - float64(hp.a1*z) + h2
		h2 = y - float64(hp.a2*z) // highPass.b2 is 1
		sum += float64(z * z)
	}
	k.s1, k.s2, k.h1, k.h2 = s1, s2, h1, h2
	return sum
}

// settle drops what has decayed far below hearing, so that silence never runs
// on slow denormal numbers.
func (k *kState) settle() {
	const tiny = 1e-30
	for _, p := range []*float64{&k.s1, &k.s2, &k.h1, &k.h2} {
		if math.Abs(*p) < tiny {
			*p = 0
		}
	}
}
