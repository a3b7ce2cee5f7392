package voice

import (
	"math"
	"testing"

	"cuechoir/engine/loudness"
	"cuechoir/internal/singer"
)

// spectrumOf is the mean power of x over frames of 2048 samples.
func spectrumOf(t testing.TB, x []float32) []float64 {
	var out []float64
	for from := 0; from+2048 <= len(x); from += 1024 {
		p := spectrum(t, x, from)
		if out == nil {
			out = make([]float64, len(p))
		}
		for k, v := range p {
			out[k] += v
		}
	}
	return out
}

const binHz = rate / 2048.0

// centroidHz is the middle of the power spectrum's amplitudes, 40 Hz to 20 kHz.
func centroidHz(p []float64) float64 {
	sum, all := 0.0, 0.0
	for k := 2; k < len(p) && float64(k)*binHz < 20000; k++ {
		a := math.Sqrt(p[k])
		sum, all = sum+a*float64(k)*binHz, all+a
	}
	return sum / all
}

// between is the level of a band, dB.
func between(p []float64, lo, hi float64) float64 {
	sum := 1e-30
	for k := max(1, int(lo/binHz)); k < len(p) && float64(k)*binHz < hi; k++ {
		sum += p[k]
	}
	return 10 * math.Log10(sum)
}

// flatness is the geometric over the arithmetic mean of a band's power: white
// noise some 0.56 for a single frame and near 1 over many, a tone near 0.
func flatness(p []float64, lo, hi float64) float64 {
	log, sum, n := 0.0, 0.0, 0.0
	for k := max(1, int(lo/binHz)); k < len(p) && float64(k)*binHz < hi; k++ {
		log, sum, n = log+math.Log(p[k]+1e-30), sum+p[k], n+1
	}
	return math.Exp(log/n) / (sum / n)
}

// riseMS is how long a sound takes from -20 to -3 dB of its steady level
// after a place.
func riseMS(x []float32, at int) float64 {
	env := envelope(append([]float32(nil), x[at:at+rate/2]...), rate, 3, 30)
	top := 0.0
	for _, v := range env[rate/4:] {
		top = max(top, float64(v))
	}
	lo, hi := -1, -1
	for i, v := range env {
		if lo < 0 && float64(v) > 0.1*top {
			lo = i
		}
		if hi < 0 && float64(v) > 0.708*top {
			hi = i
		}
	}
	return float64(hi-lo) / rate * 1000
}

// claim is what a colour says it is, of one note sung as it says. Where the
// strongest third of the spectrum lies goes by J. Meyer, Acoustics and the
// Performance of Music (formants: trombone 500 to 600 Hz, trumpet 1.2 to
// 1.5 kHz); middles of spectra and times of attack are common practice; all
// figures from memory.
type claim struct {
	colour             string
	key                float64
	vowel, consonant   string
	ms                 int
	low, high          float64 // the spectrum's middle, Hz
	from, to           float64 // the strongest band is in here, Hz
	quickest, slowest  float64 // the attack, ms; 0: not judged
	semitones          float64 // the pitch goes up by so much; noPitch: has none
	noise              float64 // flatness of 1 to 8 kHz, at least
	ringFrom, ringUpTo float64 // seconds to -40 dB after the stroke; 0: not judged
}

// noPitch is for noise, for swings, and for what is struck, whose partials are no
// multiples (TestStrokesAreTunedAndOnTime).
const noPitch = 99

var claims = []claim{
	{"low-brass", 57, "o", "p", 800, 300, 1300, 300, 700, 40, 120, -12, 0, 0, 0},
	{"high-brass", 60, "a", "t", 800, 1500, 3500, 700, 1700, 5, 60, 0, 0, 0, 0},
	{"strings", 62, "i", "", 800, 400, 2500, 200, 700, 80, 200, 0, 0, 0, 0},
	{"bass", 52, "a", "m", 800, 60, 500, 60, 250, 0, 0, -12, 0, 0, 0},
	{"timpani", 45, "uh", "", 300, 80, 400, 80, 180, 0, 12, noPitch, 0, 0.3, 1.1},
	{"snare", 57, "a", "t", 200, 3000, 9000, 1000, 9000, 0, 12, noPitch, 0.4, 0.05, 0.25},
	{"cymbal", 57, "", "ts", 200, 6000, 12000, 4000, 14000, 0, 12, noPitch, 0, 0.6, 1.4},
	{"choir", 57, "a", "m", 800, 500, 2000, 500, 1300, 0, 0, 0, 0, 0, 0},
	{"glass", 57, "i", "t", 300, 800, 4000, 800, 1000, 0, 12, noPitch, 0, 0.8, 1.9},
	{"wind", 57, "u", "", 800, 500, 5000, 300, 600, 150, 500, noPitch, 0.2, 0, 0},
	{"alarm", 57, "a", "t", 800, 2000, 6000, 500, 4000, 0, 0, noPitch, 0, 0, 0},
	{"crowd", 57, "a", "m", 800, 500, 2500, 500, 1300, 0, 0, 0, 0, 0, 0},
	{"double", 57, "a", "m", 800, 500, 2000, 500, 1300, 0, 0, 0, 0, 0, 0},
	{"octave", 57, "a", "m", 800, 500, 2000, 500, 1300, 0, 0, noPitch, 0, 0, 0},
	{"old-optical", 57, "a", "m", 800, 500, 2000, 500, 1300, 0, 0, 0, 0, 0, 0},
}

// No colour is louder than what was sung by more than this, by ITU-R BS.1770.
const mostLouderLU = 4

func TestColoursAreWhatTheySay(t *testing.T) {
	if len(claims) != len(Recipes()) {
		t.Errorf("%d colours, %d claims", len(Recipes()), len(claims))
	}
	for _, c := range claims {
		if underRace && c.colour != "snare" && c.colour != "bass" {
			continue
		}
		t.Run(c.colour, func(t *testing.T) { c.judge(t) })
	}
}

func (c claim) judge(t *testing.T) {
	r, ok := FindRecipe(c.colour)
	if !ok {
		t.Fatal("there is no such colour")
	}
	length := c.ms * rate / 1000
	x := voiceOf.Sing([]singer.Note{{Start: rate / 2, Length: int64(length), Key: c.key, Vowel: c.vowel, Consonant: c.consonant}}, 0, 2*rate)
	y := apply(t, colour(t, r.Lines...), x, rate)
	p := spectrumOf(t, y[rate/2:rate/2+length])
	middle, flat, rise, louder := centroidHz(p), flatness(p, 1000, 8000), riseMS(y, rate/2-rate/20), loudnessOf(t, y)-loudnessOf(t, x)
	strongest, ring := strongestHz(p), ringSeconds(y)
	t.Logf("middle %.0f Hz (sung %.0f), strongest %.0f, flatness %.2f, attack %.0f ms, rings %.2f s, %+.1f LU", middle, centroidHz(spectrumOf(t, x[rate/2:rate/2+length])), strongest, flat, rise, ring, louder)
	within := func(what string, v, lo, hi float64) {
		if !(v >= lo && v <= hi) {
			t.Errorf("%s %.2f is outside %g to %g", what, v, lo, hi)
		}
	}
	within("the middle of the spectrum", middle, c.low, c.high)
	within("the strongest band", strongest, c.from, c.to)
	within("the flatness", flat, c.noise, 1)
	if c.slowest > 0 {
		within("the attack", rise, c.quickest, c.slowest)
	}
	if c.ringUpTo > 0 {
		within("the ring", ring, c.ringFrom, c.ringUpTo)
	}
	within("the loudness gained", louder, -mostLouderLU, mostLouderLU)
	within("the peak", peakOf(y), 0, 0.99001)
	if c.semitones != noPitch {
		n := centre(t, y[rate/2:rate/2+max(length, rate/2)], 100*(c.key+c.semitones))
		within("cents beside the pitch", n.CentreCents-100*(c.key+c.semitones), -15, 15)
	}
}

func loudnessOf(t testing.TB, x []float32) float64 {
	m, err := loudness.New(loudness.Options{SampleRate: rate, Channels: 1})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Push(x); err != nil {
		t.Fatal(err)
	}
	m.Finish()
	return m.Result().IntegratedLUFS
}

// strongestHz is the middle of the third of an octave that holds most.
func strongestHz(p []float64) float64 {
	best, at := math.Inf(-1), 0.0
	for hz := 62.5; hz < 18000; hz *= math.Exp2(1.0 / 6) {
		if v := between(p, hz*math.Exp2(-1.0/6), hz*math.Exp2(1.0/6)); v > best {
			best, at = v, hz
		}
	}
	return at
}

// ringSeconds is how long after its loudest 10 ms a sound is 40 dB under it.
func ringSeconds(x []float32) float64 {
	const block = rate / 100
	var db []float64
	top := 0
	for from := 0; from+block <= len(x); from += block {
		if db = append(db, rmsDB(x[from:from+block])); db[len(db)-1] > db[top] {
			top = len(db) - 1
		}
	}
	for i := len(db) - 1; i > top; i-- {
		if db[i] > db[top]-40 {
			return float64(i-top) / 100
		}
	}
	return 0
}

func peakOf(x []float32) float64 {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(float64(v)))
	}
	return peak
}
