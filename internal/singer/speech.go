package singer

// Speech is a voice-over that says nothing: syllables in phrases with pauses,
// the pitch falling over each phrase and gliding in each syllable, all within
// the span. Sing it like any notes. key is the middle of the voice, a MIDI key
// (45 for a man's). Lengths and falls are common practice for spoken English:
// 4 to 6 syllables a second, about five semitones of fall.
func Speech(seed uint64, start, length int64, sampleRate int, key float64) []Note {
	r := dice{noise: noise{seed: mix(seed, 0x73706565)}}
	second := float64(sampleRate)
	end := start + length
	var notes []Note
	at := start + int64(0.1*second) // room for the first consonant
	for {
		syllables := 4 + int(5*r.roll())
		for s := range syllables {
			n := r.syllable(at, second)
			fall := float64(s) / float64(syllables)
			n.Key = key + 3 - 5*fall + 1.5*(r.roll()-0.5)
			if s == syllables-1 {
				n.Length += n.Length / 2 // the last is drawn out and falls
				n.GlideCents = -350
			}
			if n.Start+n.Length > end {
				return notes
			}
			notes = append(notes, n)
			at = n.Start + n.Length
		}
		at += int64((0.35 + 0.5*r.roll()) * second)
	}
}

// dice are random numbers in order, 0 to 1.
type dice struct {
	noise noise
	at    int64
}

func (d *dice) roll() float64 {
	d.at++
	return 0.5 + 0.5*d.noise.at(d.at)
}

func (d *dice) pick(names []string) string {
	return names[min(len(names)-1, int(d.roll()*float64(len(names))))]
}

func (d *dice) syllable(at int64, second float64) Note {
	n := Note{
		Length:     int64((0.11 + 0.12*d.roll()) * second),
		Vowel:      d.pick([]string{"a", "e", "i", "o", "u", "uh", "ae", "er", "ih"}),
		Consonant:  d.pick([]string{"", "t", "k", "p", "s", "sh", "h", "m", "n", "l"}),
		GlideCents: 300 * (d.roll() - 0.5),
		LevelDB:    -4 * d.roll(),
	}
	n.Start = at + n.Lead(int(second))
	return n
}
