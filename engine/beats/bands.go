package beats

import (
	"math"

	"cuechoir/internal/dsp"
)

// Aim: the loudness of the sound in bands, often enough to see every attack,
// and its pitch classes, often enough to see a chord change.
// Method: a spectrum of about 43 ms every 8 ms, summed in triangular bands on
// the mel scale (Stevens, Volkmann and Newman 1937, in O'Shaughnessy's
// formula), in dB; every twelfth time a spectrum four times as long, summed by
// pitch class.
// Cost: one FFT of 2048 points at 48 kHz for each 8 ms.
// Known failure: below about 100 Hz the bands are narrower than the spectrum
// can tell apart.

const (
	framesASecond = 125 // about: the hop is a whole number of samples
	windowSeconds = 0.043
	bandCount     = 64
	lowestHz      = 55.0
	highestHz     = 8000.0
	quietDB       = -100.0 // nothing is reckoned softer
	chromaEvery   = 12     // frames
	chromaLowHz   = 65.0   // C2
	chromaHighHz  = 2100.0 // C7
)

// band is a triangle over the bins from first on.
type band struct {
	first   int
	weights []float64
}

// analyser turns samples into frames. Frame k is centred on sample k·hop.
type analyser struct {
	hop    int
	short  spectrum
	long   spectrum
	bands  []band
	class  []int // the pitch class of a bin of the long spectrum, -1 for none
	ring   []float32
	base   int64 // the sample of ring[0]; starts below 0
	levels []float32
	chroma [][12]float32
	frames int
}

type spectrum struct {
	fft    *dsp.RealFFT
	window []float64
	in     []float64
	out    []complex128
	power  []float64
}

func newSpectrum(n int) (spectrum, error) {
	f, err := dsp.NewRealFFT(n)
	if err != nil {
		return spectrum{}, err
	}
	s := spectrum{fft: f, window: dsp.Hann(n), in: make([]float64, n), out: make([]complex128, f.Bins()), power: make([]float64, f.Bins())}
	for i := range s.window {
		s.window[i] *= 4 / float64(n) // a full-scale sine has a power of 1
	}
	return s, nil
}

func (s *spectrum) of(x []float32) []float64 {
	for i, v := range x {
		s.in[i] = float64(v) * s.window[i]
	}
	s.fft.Forward(s.out, s.in)
	for k, c := range s.out {
		s.power[k] = real(c)*real(c) + imag(c)*imag(c)
	}
	return s.power
}

func newAnalyser(sampleRate int) (*analyser, error) {
	a := &analyser{hop: (sampleRate + framesASecond/2) / framesASecond}
	n := 64
	for float64(n)*1.4 < windowSeconds*float64(sampleRate) {
		n *= 2
	}
	var err error
	if a.short, err = newSpectrum(n); err != nil {
		return nil, err
	}
	if a.long, err = newSpectrum(4 * n); err != nil {
		return nil, err
	}
	a.bands = melBands(n, float64(sampleRate))
	a.class = pitchClasses(4*n, float64(sampleRate))
	a.base = -int64(2 * n)
	a.ring = make([]float32, 2*n)
	return a, nil
}

// melBands are triangles equally far apart on the mel scale.
func melBands(n int, rate float64) []band {
	mel := func(hz float64) float64 { return 2595 * math.Log10(1+hz/700) }
	top := min(highestHz, 0.49*rate)
	step := (mel(top) - mel(lowestHz)) / (bandCount + 1)
	bin := func(i float64) float64 {
		return 700 * (math.Pow(10, (mel(lowestHz)+i*step)/2595) - 1) * float64(n) / rate
	}
	bands := make([]band, bandCount)
	for b := range bands {
		lo, mid, hi := bin(float64(b)), bin(float64(b+1)), bin(float64(b+2))
		lo, hi = min(lo, mid-1), max(hi, mid+1) // at least the bins beside the middle
		first := max(1, int(math.Ceil(lo)))
		bands[b].first = first
		for k := first; k <= min(n/2, int(hi)); k++ {
			w := (float64(k) - lo) / (mid - lo)
			if float64(k) > mid {
				w = (hi - float64(k)) / (hi - mid)
			}
			bands[b].weights = append(bands[b].weights, max(0, w))
		}
	}
	return bands
}

func pitchClasses(n int, rate float64) []int {
	class := make([]int, n/2+1)
	for k := range class {
		hz := float64(k) * rate / float64(n)
		class[k] = -1
		if hz >= chromaLowHz && hz <= chromaHighHz {
			class[k] = int(math.Round(12*math.Log2(hz/440))+9+1200) % 12
		}
	}
	return class
}

// push takes the next samples; what is not a number counts as silence.
func (a *analyser) push(x []float32) {
	for len(x) > 0 {
		n := min(len(x), 1<<14)
		for _, v := range x[:n] {
			if !(v >= -1e6 && v <= 1e6) {
				v = 0
			}
			a.ring = append(a.ring, v)
		}
		x = x[n:]
		a.analyse()
	}
}

// finish puts silence behind the sound until its last frame is whole.
func (a *analyser) finish() {
	end := a.base + int64(len(a.ring))
	a.push(make([]float32, 2*a.short.fft.Len()))
	want := int((end + int64(a.hop) - 1) / int64(a.hop))
	a.frames = min(a.frames, want)
	a.levels = a.levels[:a.frames*bandCount]
	a.chroma = a.chroma[:min(len(a.chroma), (a.frames+chromaEvery-1)/chromaEvery)]
}

func (a *analyser) analyse() {
	half, far := int64(a.short.fft.Len()/2), int64(a.long.fft.Len()/2)
	for {
		at := int64(a.frames)*int64(a.hop) - a.base // where the frame's middle lies in the ring
		if at+far > int64(len(a.ring)) {
			break
		}
		p := a.short.of(a.ring[at-half : at+half])
		for _, b := range a.bands {
			sum := 0.0
			for i, w := range b.weights {
				sum += w * p[b.first+i]
			}
			a.levels = append(a.levels, float32(max(quietDB, dsp.PowerToDB(sum))))
		}
		if a.frames%chromaEvery == 0 {
			a.chroma = append(a.chroma, a.pitches(a.ring[at-far:at+far]))
		}
		a.frames++
	}
	if drop := int64(a.frames)*int64(a.hop) - a.base - far; drop > 0 {
		drop = min(drop, int64(len(a.ring)))
		a.ring = a.ring[:copy(a.ring, a.ring[drop:])]
		a.base += drop
	}
}

// pitches sums amplitudes by pitch class, to a length of 1 (0 for silence).
func (a *analyser) pitches(x []float32) [12]float32 {
	var sum [12]float64
	for k, p := range a.long.of(x) {
		if c := a.class[k]; c >= 0 {
			sum[c] += math.Sqrt(p)
		}
	}
	norm := 0.0
	for _, v := range sum {
		norm += v * v
	}
	var out [12]float32
	if norm > 1e-10 {
		for c, v := range sum {
			out[c] = float32(v / math.Sqrt(norm))
		}
	}
	return out
}
