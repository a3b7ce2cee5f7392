package singer

import "math"

// addNote mixes note i, and those sung on from it, into out, whose first sample
// is at start.
func (v Voice) addNote(out []float32, start int64, notes []Note, i int) {
	n := notes[i]
	if n.Legato && i > 0 {
		return // it sounds with the first of its row
	}
	key := mix(mix(v.Seed, uint64(n.Start)), math.Float64bits(n.Key))
	v.addConsonant(out, start, n, mix(key, 1))
	if n.Vowel == "" || n.Length <= 0 {
		return
	}
	last := i
	for last+1 < len(notes) && notes[last+1].Legato {
		last++
	}
	end := v.End(notes, last)
	ring := int64(ringSeconds * float64(v.SampleRate))
	if n.Start >= start+int64(len(out)) || end+ring <= start {
		return
	}
	p := v.newPhonation(notes, i, last, end, mix(key, 2))
	stop := min(end+ring, start+int64(len(out)))
	for s := n.Start; s < stop; s++ {
		y := p.next(s - n.Start)
		if s >= start {
			out[s-start] += float32(y)
		}
	}
}

// A note begins with a closure of the glottis, which is what excites the
// formants, so soon after Start, and so strong against the full level: the
// energy begins at Start and not a period later.
const (
	firstClosure = 0.0005 // seconds
	firstPulse   = 0.2
)

// phonation is the state of the voice over a note and those sung on from it.
type phonation struct {
	v         Voice
	notes     []Note
	at, last  int   // the note that sounds, and the last of the row
	begun     int64 // where it began, from the first one's start
	curve     curve
	table     *table
	tract     tract
	breath    noise
	gain      float64
	gainFrom  float64 // of the note before, when sung on from it
	breathAmp float64
	partials  int
	creak     float64

	length          int64 // voiced samples
	attack, release float64
	hz, slope       float64 // f0 at this sample, and its change a sample
	phase           float64 // of the period, 0 to 1
	odd             bool    // an odd period, for creak
	sampleRate      float64
	from, to        [5]float64 // formants of the opening
	open            int64      // samples of the opening, 0 for none
}

func (v Voice) newPhonation(notes []Note, first, last int, end int64, key uint64) *phonation {
	sr, n := float64(v.SampleRate), notes[first]
	p := &phonation{v: v, notes: notes, at: first, last: last, curve: v.curveOf(notes, first), breath: noise{seed: key},
		length: end - n.Start, sampleRate: sr, creak: v.Creak}
	highest := 0.0
	for _, note := range notes[first : last+1] {
		highest = max(highest, v.highest(note))
	}
	p.partials = harmonics(highest, sr)
	p.table = newTable(p.partials, v.SoftDB)
	centre, source := p.shape(n)
	p.breathAmp = v.Breath * math.Sqrt(3*source)
	if m, ok := murmurs[n.Consonant]; ok {
		p.from = p.to
		copy(p.from[:], m[:])
		p.from[0] = max(p.from[0], 1.05*centre)
		p.open = int64(openSeconds * sr)
	}
	p.hz = p.curve.hz(0)
	p.phase = 1 - min(openFall, firstClosure*p.hz)
	attack := v.AttackSeconds
	if attack <= 0 {
		attack = defaultAttack
	}
	p.attack = max(1, min(attack*sr, float64(p.length)/2))
	p.release = max(1, min(releaseSeconds*sr, float64(p.length)/2))
	return p
}

// shape sets the vowel and the level of a note; its middle pitch in Hz, and the
// source's power.
func (p *phonation) shape(n Note) (centre, source float64) {
	centre = hzOfCents(100*n.Key + p.v.TuneCents)
	p.to, _ = p.v.Formants(n.Vowel, centre)
	p.tract.tune(p.to, p.sampleRate)
	// The steady vowel's power is the sum over its harmonics (Parseval).
	power := 0.0
	for k := 1; k <= p.partials; k++ {
		re, im := real(pulse(k)), imag(pulse(k))
		soft := softened(k, p.v.SoftDB)
		square := 2 * (re*re + im*im) * soft * soft
		g := p.tract.gain(float64(k)*centre, p.sampleRate)
		source += square
		power += square * g * g
	}
	p.gain = math.Pow(10, (NominalDBFS+n.LevelDB)/20) / math.Sqrt(power)
	return centre, source
}

// goOn moves over to the next note of the row, t samples after the first.
func (p *phonation) goOn(t int64) {
	p.at++
	p.begun, p.gainFrom, p.from = t, p.gain, p.to
	p.curve = p.v.curveOf(p.notes, p.at)
	p.shape(p.notes[p.at])
	p.open = int64(LegatoSeconds * p.sampleRate)
}

// highest bounds a note's pitch from above, in Hz.
func (v Voice) highest(n Note) float64 {
	sr := float64(v.SampleRate)
	end := float64(n.Start+n.Length) / sr / 60
	drift := v.DriftCentsPerMinute
	cents := 100*n.Key + v.TuneCents + max(drift*end, drift*float64(n.Start)/sr/60) +
		math.Abs(n.VibratoCents) + math.Abs(v.JitterCents) + max(0, n.GlideCents) + max(0, -n.ScoopCents)
	return hzOfCents(cents)
}

// next is the voice t samples after the note's start; t counts up from 0.
func (p *phonation) next(t int64) float64 {
	if t >= p.length {
		return p.tract.step(0) // the formants ring out
	}
	if p.at < p.last && t == p.begun+p.notes[p.at+1].Start-p.notes[p.at].Start {
		p.goOn(t)
	}
	inNote := t - p.begun
	if inNote%controlStep == 0 {
		p.control(inNote)
	}
	gain := p.gain
	if p.begun > 0 && inNote < p.open {
		gain = p.gainFrom + (p.gain-p.gainFrom)*float64(inNote)/float64(p.open)
	}
	x := p.table.at(p.phase)
	if p.creak > 0 {
		x *= 1 - p.creak*p.weak()
	}
	if p.breathAmp > 0 {
		// More air flows while the glottis is open (Klatt 1980 halves it when closed).
		open := 0.5
		if p.phase > 1-openRise-openFall {
			open = 1
		}
		x += p.breathAmp * open * p.breath.at(t)
	}
	p.phase += p.hz / p.sampleRate
	p.hz += p.slope
	if p.phase >= 1 {
		p.phase -= math.Floor(p.phase)
		p.odd = !p.odd
	}
	return p.tract.step(x * gain * p.envelope(t))
}

// weak is how much of the creak falls on this moment: none at an even closure
// (phase 0), all at an odd one, without a step between.
func (p *phonation) weak() float64 {
	x := p.phase
	if p.odd {
		x++
	}
	return 0.5 * (1 - math.Cos(math.Pi*x))
}

// control moves pitch and vowel on, t samples into the note.
func (p *phonation) control(t int64) {
	k := t / controlStep
	a, b := p.curve.hz(k), p.curve.hz(k+1)
	p.hz, p.slope = a, (b-a)/controlStep
	if t > p.open || p.open == 0 {
		return
	}
	part := float64(t) / float64(p.open)
	var f [5]float64
	for i := range f {
		f[i] = p.from[i] + (p.to[i]-p.from[i])*part
	}
	p.tract.tune(f, p.sampleRate)
	if t+controlStep > p.open {
		p.tract.tune(p.to, p.sampleRate)
	}
}

// envelope rises at once and rounds off, so that the energy begins at Start,
// and falls to nothing at the note's end.
func (p *phonation) envelope(t int64) float64 {
	e := 1.0
	if x := float64(t+1) / p.attack; x < 1 {
		e = 1 - (1-firstPulse)*(1-x)*(1-x)
	}
	if x := float64(p.length-t) / p.release; x < 1 {
		e *= x * x * (3 - 2*x)
	}
	return e
}
