package singer

import (
	"fmt"
	"math"
)

// Aim: a few words, understood at once, whose stressed onset is known to the
// sample.
// Method: the singer's glottis and formants; the formants run straight from
// one sound to the next (Klatt 1980); consonants are noise through one
// resonance. A pulse of the glottis closes right at the stressed vowel, and
// the source is at its height there.
// Cost: about 100 ns a sample.
// Known failure: a plain voice; the final consonants are weak.

// Spoken is a word said once.
type Spoken struct {
	Samples []float32 // mono; the highest peak is 1.0
	Stress  int       // index of the stressed onset: the burst of a first plosive, else the vowel's first sample
}

// Bounds and shape of what is said.
const (
	minPace     = 0.4
	spokenHz    = 122.0        // a man's pitch at the word's beginning
	spokenEndHz = 96.0         // and end
	stressRise  = firstClosure // a stressed vowel is there with its first pulse
	otherRise   = 0.012
	onsetAccent = 0.5 // the stressed vowel begins so much stronger
	onsetDecay  = 0.008
	joinSeconds = 0.025 // formants move so long before and after a border
	spokenRing  = 0.02  // seconds in which the last sound dies away
)

// fricatives that are not sung but spoken; hz and bandwidth as in sounds.
var spokenSounds = map[string][2]float64{"th": {6500, 6000}, "f": {4500, 7000}, "s": {6200, 2200}, "t": {4200, 2600}, "k": {2100, 900}, "g": {1500, 700}}

// Say speaks a word of Words. pace is its length against a clear, unhurried
// one: 1, or less for quick counting, down to 0.4. Errors: an unknown word, a
// pace or a sample rate (8000 to 192000 Hz) out of range.
func Say(name string, sampleRate int, pace float64) (Spoken, error) {
	w, ok := words[name]
	switch {
	case !ok:
		return Spoken{}, fmt.Errorf("the word %q is not known", name)
	case !(pace >= minPace && pace <= 1):
		return Spoken{}, fmt.Errorf("a pace of %g is outside %g to 1", pace, minPace)
	case sampleRate < 8000 || sampleRate > 192000:
		return Spoken{}, fmt.Errorf("sample rate %d Hz is outside 8000 to 192000", sampleRate)
	}
	u := newUtterance(w, sampleRate, pace)
	u.addVoice()
	for i := range w.phones {
		u.addNoise(i)
	}
	return Spoken{u.finish(), u.starts[w.stress]}, nil
}

// utterance is a word on its way to samples.
type utterance struct {
	w      word
	sr     float64
	starts []int // of each phone, and the end
	out    []float64
	join   float64 // samples that formants move before and after a border
}

func newUtterance(w word, sampleRate int, pace float64) *utterance {
	u := &utterance{w: w, sr: float64(sampleRate), join: joinSeconds * pace * float64(sampleRate)}
	at := 0
	for _, p := range w.phones {
		u.starts = append(u.starts, at)
		ms := p.ms
		if !p.burst {
			ms *= pace
		}
		at += int(math.Round(ms * u.sr / 1000))
	}
	u.starts = append(u.starts, at)
	u.out = make([]float64, at+int(spokenRing*u.sr))
	return u
}

func (p phone) end() [3]float64 {
	if p.to[0] == 0 {
		return p.from
	}
	return p.to
}

// formants at sample i: straight lines from phone to phone.
func (u *utterance) formants(i, k int) (f [3]float64) {
	p := u.w.phones[k]
	from, to := float64(u.starts[k]), float64(u.starts[k+1])
	join := min(u.join, 0.4*(to-from))
	a, b, fa, fb := from+join, to-join, p.from, p.end()
	switch x := float64(i); {
	case x < a && k > 0:
		q := u.w.phones[k-1]
		a, b, fa, fb = from-min(u.join, 0.4*float64(u.starts[k]-u.starts[k-1])), a, q.end(), p.from
	case x > b && k+1 < len(u.w.phones):
		q := u.w.phones[k+1]
		a, b, fa, fb = b, to+min(u.join, 0.4*float64(u.starts[k+2]-u.starts[k+1])), p.end(), q.from
	}
	part := 1.0
	if b > a {
		part = max(0, min(1, (float64(i)-a)/(b-a)))
	}
	for n := range f {
		f[n] = fa[n] + (fb[n]-fa[n])*part
	}
	return f
}

// level moves from the phone before to this one's from its first sample on.
func (u *utterance) level(i, k int, of func(phone) float64) float64 {
	rise := otherRise
	if k == u.w.stress || k == u.w.stress+1 && u.w.phones[u.w.stress].burst {
		rise = stressRise
	}
	before := 0.0
	if k > 0 {
		before = of(u.w.phones[k-1])
	}
	part := min(1, float64(i-u.starts[k]+1)/(rise*u.sr))
	return before + (of(u.w.phones[k])-before)*part
}

// addVoice runs the glottis and the breath through the formants.
func (u *utterance) addVoice() {
	last := u.starts[len(u.starts)-1]
	pulses := newTable(harmonics(spokenHz, u.sr), 0)
	gain, source := u.neutral()
	// The glottis closes right after the stressed vowel begins, or the first
	// voiced sound after a stressed plosive.
	anchor := u.w.stress
	for anchor+1 < len(u.w.phones) && u.w.phones[anchor].voice == 0 {
		anchor++
	}
	zero := float64(u.starts[anchor])
	fall := (spokenEndHz - spokenHz) / float64(last)
	hzThere := spokenHz + fall*zero
	var t tract
	breath := noise{seed: 0x73706f6b}
	k := 0
	for i := range u.out {
		for k+1 < len(u.w.phones) && i >= u.starts[k+1] {
			k++
		}
		if i < last && (i-u.starts[u.w.stress])%controlStep == 0 || i == 0 {
			u.tune(&t, i, k)
		}
		x := 0.0
		if i < last {
			d := float64(i) - zero
			phase := (hzThere*d+fall*d*d/2)/u.sr - min(openFall, firstClosure*hzThere)
			x = pulses.at(phase-math.Floor(phase)) * u.level(i, k, func(p phone) float64 { return p.voice })
			x += source * math.Sqrt(3) * breath.at(int64(i)) * u.level(i, k, func(p phone) float64 { return p.breath })
			x *= u.ending(i, last)
			if i >= u.starts[anchor] { // the first pulse is as strong as those that ring together later
				x *= 1 + onsetAccent*math.Exp(-d/(onsetDecay*u.sr))
			}
		}
		u.out[i] += gain * t.step(x)
	}
}

// ending fades the last 12 ms.
func (u *utterance) ending(i, last int) float64 {
	return min(1, float64(last-i)/(otherRise*u.sr))
}

func (u *utterance) tune(t *tract, i, k int) {
	f := u.formants(i, k)
	wide := u.w.phones[k].wide
	if wide == 0 {
		wide = 1
	}
	all := [5]float64{f[0], f[1], f[2], upperFormant[0], upperFormant[1]}
	t.n = 0
	for n, hz := range all {
		if hz > topShare*u.sr {
			break
		}
		t.r[n].tune(hz, bandwidthHz[n]*wide, u.sr)
		t.n++
	}
}

// neutral is the gain that gives the vowel of "one" an RMS of 1, and the RMS
// of its source.
func (u *utterance) neutral() (gain, source float64) {
	var t tract
	t.tune([5]float64{klattAH[0], klattAH[1], klattAH[2], upperFormant[0], upperFormant[1]}, u.sr)
	power, flow := 0.0, 0.0
	for k := 1; k <= harmonics(spokenHz, u.sr); k++ {
		re, im := real(pulse(k)), imag(pulse(k))
		g := t.gain(float64(k)*spokenHz, u.sr)
		flow += 2 * (re*re + im*im)
		power += 2 * (re*re + im*im) * g * g
	}
	return 1 / math.Sqrt(power), math.Sqrt(flow)
}

// addNoise adds the noise of phone k.
func (u *utterance) addNoise(k int) {
	p := u.w.phones[k]
	s, ok := spokenSounds[p.noise]
	if !ok {
		return
	}
	var r resonator
	r.tune(min(s[0], topShare*u.sr), s[1], u.sr)
	scale := p.noiseLevel * math.Sqrt(3/r.power())
	white := noise{seed: 0x686973 + uint64(k)}
	length := u.starts[k+1] - u.starts[k]
	for i := range length {
		env := min(1, float64(i+1)/(0.025*u.sr), float64(length-i)/(0.010*u.sr))
		if p.burst {
			env = 1 - float64(i)/float64(length)
		}
		x := white.at(int64(i))
		y := r.a*x + r.b*r.y1 + r.c*r.y2
		r.y2, r.y1 = r.y1, y
		u.out[u.starts[k]+i] += scale * env * y
	}
}

// finish scales the highest peak to 1 and fades what rings on.
func (u *utterance) finish() []float32 {
	top := 0.0
	for _, v := range u.out {
		top = max(top, math.Abs(v))
	}
	x := make([]float32, len(u.out))
	ring := len(x) - u.starts[len(u.starts)-1]
	for i, v := range u.out {
		x[i] = float32(v / top * min(1, float64(len(x)-i)/float64(ring)))
	}
	return x
}
