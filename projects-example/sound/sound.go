// Package sound plays the score on simple instruments, with a narrator and the
// weather, as the sound of the example's trailer.
package sound

import (
	"math"

	"cuechoir/internal/singer"
	example "cuechoir/projects-example"
)

// Render is the trailer's sound: mono, exactly as long as the film.
func Render(sampleRate int) []float32 {
	o := orchestra{rate: float64(sampleRate), out: make([]float64, example.Rate().SampleOf(example.Frames, sampleRate))}
	for _, l := range example.Layers() {
		for i, n := range l.Notes {
			from := example.SampleAt(n.Start, sampleRate)
			to := example.SampleAt(n.Start.Add(n.Length), sampleRate)
			o.play(l, i, n, from, to-from)
		}
	}
	o.room()
	o.weather()
	o.narrate()
	o.oldStock()
	return o.master()
}

type orchestra struct {
	rate  float64
	out   []float64
	white uint64
}

// noise is white, -1 to 1: xorshift64 (Marsaglia 2003).
func (o *orchestra) noise() float64 {
	if o.white == 0 {
		o.white = 0x9e3779b97f4a7c15
	}
	o.white ^= o.white << 13
	o.white ^= o.white >> 7
	o.white ^= o.white << 17
	return float64(int64(o.white)) / (1 << 63)
}

func (o *orchestra) add(at int64, v float64) {
	if at >= 0 && at < int64(len(o.out)) {
		o.out[at] += v
	}
}

func (o *orchestra) play(l example.Layer, i int, n example.Note, from, length int64) {
	hz := 440 * math.Exp2((float64(n.Key)-69)/12)
	switch {
	case l.Name == "Timpani":
		o.timpani(from, 82.41)
	case l.Name == "Snare":
		o.hiss(from, 0.12, 0.10, 1800)
	case l.Name == "Cymbal":
		o.hiss(from, 1.6, 0.16, 4000)
	case l.Group == "brass":
		o.saw(from, length, hz, voice{gain: 0.11, attack: 0.03, release: 0.06, bright: 7, settle: 3.5, detune: 0})
	case l.Group == "strings":
		o.saw(from, length, hz, voice{gain: 0.06, attack: 0.05, release: 0.1, bright: 5, settle: 5, detune: 0.004})
	default:
		v := singer.Voice{Seed: uint64(i), SampleRate: int(o.rate), FormantScale: 1.1, Breath: 0.03}
		for k, s := range v.Sing([]singer.Note{{Start: from, Length: length, Key: float64(n.Key), Vowel: "a", VibratoHz: 5.3, VibratoCents: 25}}, from, length) {
			o.add(from+int64(k), 0.45*float64(s))
		}
	}
}

// voice is a bowed or blown tone: a sawtooth under a low-pass that opens and
// settles, in multiples of the pitch.
type voice struct {
	gain, attack, release  float64 // seconds
	bright, settle, detune float64
}

func (o *orchestra) saw(from, length int64, hz float64, v voice) {
	phases := []float64{0.1, 0.6}
	y1, y2 := 0.0, 0.0
	tail := int64(v.release * o.rate)
	for i := range length + tail {
		t := float64(i) / o.rate
		env := min(1, t/v.attack) * (0.75 + 0.25*math.Exp(-t*6))
		if i > length {
			env *= 1 - float64(i-length)/float64(tail)
		}
		s := 0.0
		for k := range phases {
			step := hz * (1 + v.detune*(float64(k)-0.5) + 0.002*math.Sin(34*t)*min(1, t)) / o.rate
			s += bandlimitedSaw(phases[k], step)
			phases[k] += step
			phases[k] -= math.Floor(phases[k])
		}
		a := 1 - math.Exp(-2*math.Pi*hz*(v.settle+(v.bright-v.settle)*math.Exp(-t*5))/o.rate)
		y1 += a * (s - y1)
		y2 += a * (y1 - y2)
		o.add(from+i, v.gain*env*y2)
	}
}

// bandlimitedSaw rounds the jump over one sample each side by a parabola
// (Välimäki & Huovilainen, "Antialiasing Oscillators in Subtractive Synthesis",
// IEEE SPM 24, 2007).
func bandlimitedSaw(phase, step float64) float64 {
	s := 2*phase - 1
	switch {
	case phase < step:
		x := phase / step
		s -= x + x - x*x - 1
	case phase > 1-step:
		x := (phase - 1) / step
		s -= x*x + x + x + 1
	}
	return s
}

// timpani is a struck head: the ratios of its near-harmonic modes are common
// knowledge among makers (1, 1.5, 2, 2.5; from memory).
func (o *orchestra) timpani(from int64, hz float64) {
	for k, ratio := range []float64{1, 1.5, 1.99, 2.44} {
		gain, decay := 0.5/float64(k+1), 1.6+float64(k)
		for i := range int64(1.5 * o.rate) {
			t := float64(i) / o.rate
			bend := 1 + 0.02*math.Exp(-t*18)
			o.add(from+i, gain*math.Exp(-t*decay*1.6)*min(1, t*800)*math.Sin(2*math.Pi*hz*ratio*bend*t))
		}
	}
	o.hiss(from, 0.04, 0.25, 200)
}

// hiss is a burst of noise above hz that dies in so many seconds.
func (o *orchestra) hiss(from int64, seconds, gain, hz float64) {
	low, a := 0.0, 1-math.Exp(-2*math.Pi*hz/o.rate)
	for i := range int64(seconds * 1.5 * o.rate) {
		t := float64(i) / o.rate
		x := o.noise()
		low += a * (x - low)
		o.add(from+i, gain*math.Exp(-t*4/seconds)*min(1, t*1000)*(x-low))
	}
}

// room is a plain hall: four combs and two all-passes (Schroeder 1962).
func (o *orchestra) room() {
	wet := make([]float64, len(o.out))
	for _, ms := range []float64{29.7, 37.1, 41.1, 43.7} {
		d := int(ms / 1000 * o.rate)
		comb := make([]float64, len(o.out))
		for i := range comb {
			comb[i] = o.out[i]
			if i >= d {
				comb[i] += 0.78 * comb[i-d]
			}
			wet[i] += 0.25 * comb[i]
		}
	}
	for _, ms := range []float64{5, 1.7} {
		d, in := int(ms/1000*o.rate), append([]float64(nil), wet...)
		for i := range wet {
			wet[i] = -0.7 * in[i]
			if i >= d {
				wet[i] += in[i-d] + 0.7*wet[i-d]
			}
		}
	}
	for i := range o.out {
		o.out[i] += 0.22 * wet[i]
	}
}

// weather is wind through the whole film, and thunder on the lightning.
func (o *orchestra) weather() {
	y1, y2 := 0.0, 0.0
	for i := range o.out {
		t := float64(i) / o.rate
		hz := 420 + 200*math.Sin(t*0.7)*math.Sin(t*0.31+1)
		w := 2 * math.Pi * hz / o.rate
		x := o.noise()
		y := 0.02*x + 2*0.99*math.Cos(w)*y1 - 0.9801*y2
		y2, y1 = y1, y
		o.out[i] += 0.018 * y
	}
	low := 0.0
	from := example.Rate().SampleOf(444, int(o.rate))
	for i := range int64(2.5 * o.rate) {
		t := float64(i) / o.rate
		low += 0.012 * (o.noise() - low)
		o.add(from+i, 4*low*math.Exp(-t*1.6)*(0.6+0.4*math.Sin(t*23)))
	}
}

// narrate lets the narrator speak, and holds the music down under him.
func (o *orchestra) narrate() {
	sr := int(o.rate)
	v := singer.Voice{Seed: 5, SampleRate: sr, FormantScale: 0.95, Breath: 0.03, JitterCents: 15, Creak: 0.1}
	const under = 0.45 // about -7 dB
	slope := 0.15 * o.rate
	for k, s := range example.VoiceOver() {
		from, to := example.Rate().SampleOf(s.From, sr), example.Rate().SampleOf(s.End, sr)
		for i := from - int64(slope); i < to+int64(slope); i++ {
			edge := min(1, float64(i-from)/slope+1, float64(to-i)/slope+1)
			if i >= 0 && i < int64(len(o.out)) {
				o.out[i] *= 1 - (1-under)*max(0, edge)
			}
		}
		speech := singer.Speech(uint64(k)+11, from, to-from, sr, 45)
		for i, x := range v.Sing(speech, from, to-from) {
			o.add(from+int64(i), 2.4*float64(x))
		}
	}
}

// oldStock narrows the band to that of an old optical track, about 80 Hz to
// 5.5 kHz, and adds its hiss.
func (o *orchestra) oldStock() {
	high := 1 - math.Exp(-2*math.Pi*80/o.rate)
	low := 1 - math.Exp(-2*math.Pi*5500/o.rate)
	rumble, a, b := 0.0, 0.0, 0.0
	for i, x := range o.out {
		rumble += high * (x - rumble)
		a += low * (math.Tanh(1.2*(x-rumble)) - a)
		b += low * (a - b)
		o.out[i] = b + 0.003*o.noise()
	}
}

// master sets the peak to -3 dBFS, and fades with the picture at the ends.
func (o *orchestra) master() []float32 {
	peak := 1e-9
	for _, x := range o.out {
		peak = max(peak, math.Abs(x))
	}
	gain := math.Pow(10, -3.0/20) / peak
	edge := o.rate * 0.5
	out := make([]float32, len(o.out))
	for i, x := range o.out {
		e := min(1, float64(i)/edge, float64(len(out)-i)/edge)
		out[i] = float32(x * gain * e)
	}
	return out
}
