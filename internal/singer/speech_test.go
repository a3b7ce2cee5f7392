package singer

import (
	"reflect"
	"testing"
)

// Speech stays in its span, glides, pauses, and is the same for one seed.
func TestSpeech(t *testing.T) {
	const start, length = 50000, 12 * rate
	notes := Speech(8, start, length, rate, 45)
	if !reflect.DeepEqual(notes, Speech(8, start, length, rate, 45)) {
		t.Fatal("two runs differ")
	}
	if reflect.DeepEqual(notes, Speech(9, start, length, rate, 45)) {
		t.Error("the seed changes nothing")
	}
	if len(notes) < 30 {
		t.Fatalf("%d syllables in 12 s", len(notes))
	}
	pauses, last := 0, int64(start)
	for i, n := range notes {
		from := n.Start - n.Lead(rate)
		if from < last || n.Start+n.Length > start+length {
			t.Errorf("syllable %d (%d to %d) leaves its place after %d", i, from, n.Start+n.Length, last)
		}
		if _, ok := vowels[n.Vowel]; !ok {
			t.Errorf("syllable %d has no vowel: %q", i, n.Vowel)
		}
		if from-last > rate/4 {
			pauses++
		}
		last = n.Start + n.Length
	}
	if pauses < 3 {
		t.Errorf("%d pauses in 12 s", pauses)
	}
	v := Voice{Seed: 8, SampleRate: rate}
	n := notes[len(notes)/2]
	if a, b := v.F0(notes, n.Start), v.F0(notes, n.Start+n.Length-1); a == 0 || a == b {
		t.Errorf("syllable stands at %g Hz and %g Hz", a, b)
	}
	if len(Speech(8, 0, 100, rate, 45)) != 0 {
		t.Error("a span too short for a syllable has one")
	}
}
