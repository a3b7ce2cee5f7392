// Package singer is a synthetic singer whose pitch and onsets are known
// exactly, for tests and for the demonstration; it also says a few words (Say),
// to count in with.
//
// Method: the source-filter model. A glottal flow derivative (Rosenberg 1971,
// pulse C) is built from its exact Fourier series, cut off below half the
// sample rate, so that nothing aliases; its phase is the running sum of the
// same f0 that F0 reports. Breath noise joins it, and a cascade of second-order
// resonators (Klatt 1980) forms the vowel (Peterson & Barney 1952).
//
// Every sample depends on its position on the timeline and on the seed alone:
// any window of the same notes gives the same samples.
//
// Cost: about 60 ns a sample a voice (BenchmarkSing). Known limits: a formant
// that a gliding partial crosses turns that partial's phase, as in a throat, so
// F0 is the pitch of the glottis, from which one partial can stray by cents;
// each note starts its phase anew unless it is sung on from the one before
// (Legato); formants stand still in a note but for the opening of voiced
// consonants and the way over into a note sung on.
//
// Sources: A. E. Rosenberg, "Effect of Glottal Pulse Shape on the Quality of
// Natural Vowels", JASA 49 (1971); D. H. Klatt, "Software for a
// cascade/parallel formant synthesizer", JASA 67 (1980).
package singer

import (
	"fmt"
	"math"
)

// Note is one sung note. Positions are samples on the timeline.
//
// The pitch begins at Start exactly. A consonant of noise (t, k, p, s, sh, f,
// h, ts) is heard before Start, for Lead samples; a voiced one (m, n, l)
// begins at Start, and its vowel opens within 60 ms. A note without a vowel is
// unpitched: its consonant begins at Start, and its f0 is 0.
type Note struct {
	Start, Length int64
	Key           float64 // MIDI key, 69 = A4 = 440 Hz; may be fractional
	Vowel         string  // a name from Vowels, or "" for an unpitched note
	Consonant     string  // a name from Consonants, or "" for none
	LevelDB       float64 // of the steady vowel, against NominalDBFS RMS
	ScoopCents    float64 // begins so far below, is there after ScoopSeconds
	VibratoHz     float64 // 0: none
	VibratoCents  float64 // ± peak deviation, grown in by VibratoRiseSeconds
	GlideCents    float64 // moves evenly by so much over the note's length
	Legato        bool    // sung on from the note before: see LegatoSeconds
}

// Voice is a singer. The zero value with a SampleRate sings cleanly. Check says
// whether a voice can sing given notes; Sing and F0 trust that it can.
type Voice struct {
	Seed                uint64
	SampleRate          int     // Hz, 8000 to 192000
	FormantScale        float64 // 1 (or 0): a man's vowels; 1.17 a woman's (from memory)
	Breath              float64 // breath noise against the voiced source by amplitude, 0 to 1
	Creak               float64 // 0 to 1: every second glottal pulse is weaker by so much
	SoftDB              float64 // the source falls so much steeper an octave; falsetto 6 to 12 (from memory)
	JitterCents         float64 // slow wander, never more than ± this
	NoiseDB             float64 // room noise, dBFS RMS; 0 means none
	TuneCents           float64 // everything is so much sharp
	DriftCentsPerMinute float64 // from sample 0 on
	AttackSeconds       float64 // how long a note takes to full level; 0 means 0.02
}

const (
	NominalDBFS        = -20.0 // RMS of a vowel at LevelDB 0
	ScoopSeconds       = 0.08
	VibratoRestSeconds = 0.12 // straight before the vibrato begins
	VibratoRiseSeconds = 0.35 // full extent from here on
	LegatoSeconds      = 0.06 // in which pitch, level and vowel move over from the note before; halfway in the middle

	defaultAttack  = 0.02
	releaseSeconds = 0.03 // within the note's length
	ringSeconds    = 0.03 // formants ring on, at most, after the note's end
	controlStep    = 32   // samples between the points where f0 is reckoned
	lowestKey      = 21   // A0
	highestKey     = 96   // C7
	minVoiced      = 32   // samples: a note is never cut shorter by its neighbour
)

// Check reports why the voice cannot sing the notes as they are written: a
// sample rate or a pitch out of range, an unknown vowel or consonant, or notes
// that are not in order of their starts.
func (v Voice) Check(notes []Note) error {
	if v.SampleRate < 8000 || v.SampleRate > 192000 {
		return fmt.Errorf("sample rate %d Hz is outside 8000 to 192000", v.SampleRate)
	}
	for i, n := range notes {
		_, vowel := vowels[n.Vowel]
		_, noisy := sounds[n.Consonant]
		_, voiced := murmurs[n.Consonant]
		switch {
		case n.Vowel != "" && !vowel:
			return fmt.Errorf("note %d: no vowel %q", i, n.Vowel)
		case n.Consonant != "" && !noisy && !voiced:
			return fmt.Errorf("note %d: no consonant %q", i, n.Consonant)
		case n.Vowel == "" && !noisy:
			return fmt.Errorf("note %d: neither a vowel nor a consonant of noise", i)
		case vowel && !(n.Key >= lowestKey && n.Key <= highestKey):
			return fmt.Errorf("note %d: key %g is outside %d to %d", i, n.Key, lowestKey, highestKey)
		case n.Length < 0:
			return fmt.Errorf("note %d: length %d is negative", i, n.Length)
		case i > 0 && n.Start < notes[i-1].Start:
			return fmt.Errorf("note %d begins before the note that it follows", i)
		case n.Legato && (n.Vowel == "" || n.Consonant != "" || i == 0 || notes[i-1].Vowel == "" || notes[i-1].Start+notes[i-1].Length < n.Start):
			return fmt.Errorf("note %d cannot be sung on from the note before", i)
		}
	}
	return nil
}

// Sing renders length samples from start: the sum of the notes and the room.
func (v Voice) Sing(notes []Note, start, length int64) []float32 {
	if length <= 0 {
		return nil
	}
	out := make([]float32, length)
	for i := range notes {
		v.addNote(out, start, notes, i)
	}
	if v.NoiseDB != 0 {
		room := noise{seed: mix(v.Seed, 0x726f6f6d)}
		gain := math.Sqrt(3) * math.Pow(10, v.NoiseDB/20) // uniform: RMS is peak/sqrt 3
		for i := range out {
			out[i] += float32(gain * room.at(start+int64(i)))
		}
	}
	return out
}

// F0 is the pitch in Hz that Sing gives at a sample; 0 where nothing is
// voiced. Where notes overlap the later one counts.
func (v Voice) F0(notes []Note, sample int64) float64 {
	f0 := 0.0
	for i, n := range notes {
		if n.Vowel == "" || sample < n.Start || sample >= v.End(notes, i) {
			continue
		}
		c := v.curveOf(notes, i)
		k := (sample - n.Start) / controlStep
		frac := float64((sample-n.Start)%controlStep) / controlStep
		a, b := c.hz(k), c.hz(k+1)
		f0 = a + (b-a)*frac
	}
	return f0
}

// End is the first sample after note i's voice: its own end, or earlier where
// the next note or its consonant begins before.
func (v Voice) End(notes []Note, i int) int64 {
	n := notes[i]
	end := n.Start + n.Length
	if i+1 < len(notes) {
		next := notes[i+1]
		end = min(end, next.Start-next.Lead(v.SampleRate))
	}
	return max(end, n.Start+min(n.Length, minVoiced))
}

// curve is a note's pitch over time.
type curve struct {
	v      Voice
	n      Note
	phases [3]float64
	from   float64 // cents at the end of the note before, when sung on from it
}

// wanderHz are the rates of the slow wander: slower than any vibrato.
var wanderHz = [3]float64{0.23, 0.61, 1.37}

func (v Voice) curveOf(notes []Note, i int) curve {
	c := curve{v: v, n: notes[i]}
	for k := range c.phases {
		c.phases[k] = math.Pi * (noise{seed: mix(v.Seed, 0x77616e64)}).at(int64(k))
	}
	if c.n.Legato && i > 0 {
		before := v.curveOf(notes, i-1)
		c.from = before.cents(c.n.Start - before.n.Start)
	}
	return c
}

// cents is the absolute pitch, 6900 = A4, at t samples after the note's Start.
func (c *curve) cents(t int64) float64 {
	sr := float64(c.v.SampleRate)
	s := float64(t) / sr             // seconds in the note
	abs := float64(c.n.Start+t) / sr // seconds on the timeline
	x := 100*c.n.Key + c.v.TuneCents + c.v.DriftCentsPerMinute*abs/60
	if c.n.GlideCents != 0 && c.n.Length > 0 {
		x += c.n.GlideCents * float64(t) / float64(c.n.Length)
	}
	if s < ScoopSeconds {
		x -= c.n.ScoopCents * 0.5 * (1 + math.Cos(math.Pi*s/ScoopSeconds))
	}
	if c.n.VibratoHz > 0 && s > VibratoRestSeconds {
		rise := min(1, (s-VibratoRestSeconds)/(VibratoRiseSeconds-VibratoRestSeconds))
		x += c.n.VibratoCents * rise * math.Sin(2*math.Pi*c.n.VibratoHz*(s-VibratoRestSeconds))
	}
	if c.v.JitterCents != 0 {
		w := 0.0
		for i, hz := range wanderHz {
			w += math.Sin(2*math.Pi*hz*abs + c.phases[i])
		}
		x += c.v.JitterCents * w / float64(len(wanderHz))
	}
	if c.n.Legato && s < LegatoSeconds {
		x = c.from + (x-c.from)*0.5*(1-math.Cos(math.Pi*s/LegatoSeconds))
	}
	return x
}

// hz is the pitch at control point k.
func (c *curve) hz(k int64) float64 { return hzOfCents(c.cents(k * controlStep)) }

func hzOfCents(cents float64) float64 { return 440 * math.Exp2((cents-6900)/1200) }
