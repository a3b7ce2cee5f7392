package voice

import (
	"testing"

	"cuechoir/internal/singer"
)

// melody is a song of a given length: notes of half a second with consonants,
// vibrato and a breath after every eighth.
func melody(seconds int) []float32 {
	keys := []float64{57, 60, 62, 64, 62, 60, 59, 57}
	vowels := []string{"a", "e", "o", "ae", "i", "u", "uh", "a"}
	consonants := []string{"m", "t", "s", "l", "k", "n", "sh", ""}
	var notes []singer.Note
	for i := 0; i*rate/2 < (seconds-1)*rate; i++ {
		k := i % 8
		n := singer.Note{Start: int64(i)*rate/2 + rate/4, Length: rate * 45 / 100, Key: keys[k], Vowel: vowels[k], Consonant: consonants[k], VibratoHz: 5.5, VibratoCents: 30}
		if k == 7 {
			n.Length = rate / 4
		}
		notes = append(notes, n)
	}
	v := voiceOf
	v.NoiseDB = -60
	return v.Sing(notes, 0, int64(seconds)*rate)
}

// BenchmarkOctaveDown is 60 s of song an octave down, with the listening that
// it needs.
func BenchmarkOctaveDown(b *testing.B) {
	x := melody(60)
	for b.Loop() {
		s := listen(b, x)
		render(b, s, Edits{Cents: constant(-1200)})
	}
}

// BenchmarkListen is the listening alone.
func BenchmarkListen(b *testing.B) {
	x := melody(60)
	for b.Loop() {
		listen(b, x)
	}
}

// BenchmarkRecipes is each colour on 60 s of song.
func BenchmarkRecipes(b *testing.B) {
	x := melody(60)
	for _, r := range Recipes() {
		b.Run(r.Name, func(b *testing.B) {
			c := colour(b, r.Lines...)
			for b.Loop() {
				apply(b, c, x, rate)
			}
		})
	}
}
