package sketch

import (
	"os"
	"path/filepath"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
)

// Melodies of an independent synthetic singer (festival, voice kal_diphone),
// whose score is known: the XML beside them, its beats 0.833 of their length.
func TestIndependentSinger(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "shared", "data", "sung")
	if _, err := os.Stat(dir); err != nil {
		t.Skip("the independent singer's files are not beside this tree")
	}
	placed, all := 0, 0
	for _, c := range []struct {
		file  string
		bpm   float64
		want  []string
		scale Scale
	}{
		{"fest_scale.wav", 60 / 0.8333, []string{"0 1 G2", "1 1 A2", "2 1 B2", "3 1 C3", "4 2 D3", "6 2 G2"}, Scale{Tonic: 7}},
		{"fest_arpeggio.wav", 90 / 0.8333, []string{"0 2 E2", "2 2 B2", "4 2 E3", "6 2 G3", "8 2 E4", "10 2 A4"}, Scale{Tonic: 4, Minor: true}},
	} {
		x, _, err := audiofile.ReadMono(filepath.Join(dir, c.file), testRate, 1<<24)
		if err != nil {
			t.Fatal(err)
		}
		in := Input{Samples: x, SampleRate: testRate, Grid: steadyGrid(t, c.bpm, tempo.Metre{})}
		s, err := Read(in, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Notes) != len(c.want) || s.Scale != c.scale {
			t.Fatalf("%s: %d notes in %s, sung are %d in %s", c.file, len(s.Notes), s.Scale, len(c.want), c.scale)
		}
		for i, n := range s.Notes {
			w, err := part.ParseNote(c.want[i])
			if err != nil {
				t.Fatal(err)
			}
			if n.Key != w.Key {
				t.Errorf("%s: note %d is %s, sung is %s", c.file, i+1, n.Note, w)
			}
			all++
			if n.Start == w.Start {
				placed++
			}
			t.Logf("%s: %s, %+.0f cents, %+.0f ms, sure %.2f", c.file, n.Note, n.Cents, n.Milliseconds, n.Confidence)
		}
		t.Logf("%s: %s; tuning %+.1f cents", c.file, s.Scale, s.TuneCents)
	}
	// An f and an s of a seventh and a quarter of a second lie on the beat, and the
	// very first vowel swells in over a quarter of a second.
	t.Logf("%d of %d on their place", placed, all)
	if placed < all-3 {
		t.Errorf("%d of %d notes on their place", placed, all)
	}
}
