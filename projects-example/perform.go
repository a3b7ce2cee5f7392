package example

import (
	"hash/fnv"
	"math"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

// Place tells at which sample of the timeline a quarter, counted from bar 1
// beat 1, falls.
type Place func(quarter timecode.Ratio) int64

// What a clean note may stray, all told: bias and wander in cents (within ±8),
// and the onset (within ±20 ms).
const (
	biasCents   = 6
	wanderCents = 2
	timingMS    = 14

	breathMS = 30 // let go so long before the next note
	dropTail = 40 // ms that a clipped passage reaches beyond its notes, for what rings
)

// habit is how a layer's voice behaves.
type habit struct {
	formants, breath, creak float64
	levelDB                 float64
	scoop, vibrato          float64 // cents, at most
}

func habitOf(layer, group string) habit {
	switch layer {
	case "Soprano":
		return habit{1.17, 0.04, 0, 2, 60, 50}
	case "Violin":
		return habit{1.15, 0.10, 0, -3, 30, 20}
	case "Contrabass":
		return habit{0.95, 0.05, 0.35, 0, 40, 20}
	}
	switch group {
	case "brass":
		return habit{1, 0.02, 0, 1, 35, 25}
	case "strings":
		return habit{1.05, 0.03, 0, -2, 25, 25}
	case "choir":
		return habit{1.05, 0.04, 0, 0, 45, 35}
	}
	return habit{1, 0, 0, 2, 0, 0}
}

// Sung is the truth of a layer's performance: the voice, its notes with every
// planted fault of pitch and time, and for each of them its index in the
// layer's notes (a missing note is not there). voice.F0 and the notes' Start
// are exact. What is done to the finished sound (dropout, clipping) is not in it.
func Sung(layer Layer, place Place, rate timecode.Rate, sampleRate int) (singer.Voice, []singer.Note, []int) {
	h := habitOf(layer.Name, layer.Group)
	seed := fnv.New64a()
	seed.Write([]byte(layer.Name))
	v := singer.Voice{Seed: seed.Sum64(), SampleRate: sampleRate, FormantScale: h.formants, Breath: h.breath,
		Creak: h.creak, JitterCents: wanderCents, NoiseDB: -60}
	faults := faultsOf(layer.Name)
	for _, f := range faults {
		if f.Kind == Drift {
			v.DriftCentsPerMinute = f.Cents
		}
	}
	var notes []singer.Note
	var index []int
	for i, n := range layer.Notes {
		s, sung := h.sing(n, i, v, place)
		for _, f := range faults {
			if i < f.Note || i > f.Last {
				continue
			}
			switch f.Kind {
			case Flat, Sharp, Wrong:
				s.Key += f.Cents / 100
			case Late, Early:
				by := place(n.Start) + rate.SampleOf(f.Frames, sampleRate) - s.Start
				s.Start, s.Length = s.Start+by, s.Length-by
			case Missing:
				sung = false
			}
		}
		if sung {
			notes, index = append(notes, s), append(index, i)
		}
	}
	return v, notes, index
}

// sing is note i as a careful amateur gives it.
func (h habit) sing(n Note, i int, v singer.Voice, place Place) (singer.Note, bool) {
	ms := float64(v.SampleRate) / 1000
	r := func(salt uint64) float64 { return random(v.Seed, uint64(i), salt) }
	from, to := place(n.Start), place(n.Start.Add(n.Length))
	s := singer.Note{Start: from + int64(math.Round(timingMS*ms*r(1))), LevelDB: h.levelDB + r(2)}
	s.Length = to - int64(breathMS*ms) - s.Start
	s.Consonant, s.Vowel = syllable(n.Lyric)
	if s.Vowel == "" {
		return s, s.Length > 0
	}
	s.Key = float64(n.Key) + biasCents*r(3)/100
	s.ScoopCents = h.scoop * (0.75 + 0.25*r(4))
	if float64(s.Length) > 600*ms { // only held notes shake
		s.VibratoHz = 5.5 + 0.5*r(5)
		s.VibratoCents = max(20, h.vibrato*(0.85+0.15*r(6)))
	}
	return s, s.Length > 0
}

// random is a number from -1 to 1 that belongs to a voice, a note and a use.
func random(seed, note, salt uint64) float64 {
	z := seed ^ note*0x9e3779b97f4a7c15 ^ salt*0xc2b2ae3d27d4eb4f
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9 // splitmix64's finaliser
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	z ^= z >> 31
	return float64(int64(z)>>11) * (1.0 / (1 << 52))
}

// syllable splits a lyric into its consonant and its vowel; either may be "".
func syllable(lyric string) (consonant, vowel string) {
	for _, c := range singer.Consonants() {
		if strings.HasPrefix(lyric, c) && len(c) > len(consonant) {
			consonant = c
		}
	}
	vowel = strings.TrimPrefix(lyric, consonant)
	return consonant, vowel
}

func faultsOf(layer string) []Fault {
	var out []Fault
	for _, f := range Faults() {
		if f.Layer == layer {
			out = append(out, f)
		}
	}
	return out
}

// Perform sings a layer with its planted faults: length samples from start of
// the timeline, mono, the same for every window. place is the tempo map that
// the singer followed.
func Perform(layer Layer, place Place, rate timecode.Rate, sampleRate int, start, length int64) []float32 {
	v, notes, index := Sung(layer, place, rate, sampleRate)
	out := v.Sing(notes, start, length)
	for _, f := range faultsOf(layer.Name) {
		first, last := find(index, f.Note), find(index, f.Last)
		if first < 0 || last < 0 {
			continue // a missing note
		}
		switch f.Kind {
		case Dropout:
			from := DropoutAt(notes[first])
			each(out, start, from, from+f.Milliseconds*int64(sampleRate)/1000, func(x *float32) { *x = 0 })
		case Clipping:
			tail := int64(dropTail * sampleRate / 1000)
			from := notes[first].Start - notes[first].Lead(sampleRate)
			to := notes[last].Start + notes[last].Length + tail
			gain := float32(math.Pow(10, f.DB/20)) / peak(v.Sing(notes, from, to-from))
			each(out, start, from, to, func(x *float32) { *x = max(-1, min(1, *x*gain)) })
		}
	}
	return out
}

// DropoutAt is where the silence of a dropout begins in a note: its middle.
func DropoutAt(n singer.Note) int64 { return n.Start + n.Length/2 }

func find(index []int, note int) int {
	for i, n := range index {
		if n == note {
			return i
		}
	}
	return -1
}

// each calls do for the samples from to to that lie in out, which begins at start.
func each(out []float32, start, from, to int64, do func(*float32)) {
	for i := max(0, from-start); i < min(int64(len(out)), to-start); i++ {
		do(&out[i])
	}
}

func peak(x []float32) float32 {
	p := float32(0)
	for _, s := range x {
		p = max(p, s, -s)
	}
	return p
}
