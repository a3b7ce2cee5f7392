package voice

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/pitch"
	"cuechoir/internal/singer"
)

// sharpest is the largest second difference: a click's mark.
func sharpest(x []float32) float64 {
	most := 0.0
	for i := 1; i+1 < len(x); i++ {
		most = max(most, math.Abs(float64(x[i+1])-2*float64(x[i])+float64(x[i-1])))
	}
	return most
}

// soft are notes without any sharp consonant, so that a click would show.
func soft(sr, ms int, vibrato float64) []singer.Note {
	var out []singer.Note
	for i, c := range []string{"m", "", "l", "n", "", "m"} {
		out = append(out, singer.Note{Start: int64(sr/4 + i*sr*4/10), Length: int64(ms * sr / 1000), Key: 50 + 4*float64(i%4),
			Vowel: []string{"a", "i", "u", "e"}[i%4], Consonant: c, VibratoHz: 5.5, VibratoCents: vibrato})
	}
	return out
}

// hostileVoices are what a bad day gives.
func hostileVoices(sr int) map[string][]float32 {
	v := singer.Voice{Seed: 9, SampleRate: sr, Breath: 0.01}
	length := int64(3 * sr)
	out := map[string][]float32{"clean": v.Sing(soft(sr, 300, 30), 0, length), "short": v.Sing(soft(sr, 45, 0), 0, length), "silence": make([]float32, sr)}
	creaky, breathy := v, v
	creaky.Creak, breathy.Breath = 0.5, 0.6
	out["creaky"], out["breathy"] = creaky.Sing(soft(sr, 300, 30), 0, length), breathy.Sing(soft(sr, 300, 30), 0, length)
	clipped, offset := make([]float32, length), make([]float32, length)
	for i, x := range out["clean"] {
		clipped[i], offset[i] = max(-0.3, min(0.3, 8*x)), x+0.3
	}
	out["clipped"], out["offset"] = clipped, offset
	return out
}

// No edit makes a click or moves the level by 2 dB, whatever was sung. An
// octave down is fewer and stronger pulses: their corners are 1.41 times as
// sharp (1.7 where an input was clipped at 8 kHz).
func TestHostileVoicesMakeNoClicks(t *testing.T) {
	edits := map[string]Edits{"an octave down": {Cents: constant(-1200)}, "a little up": {Cents: constant(30)}, "a fifth up": {Cents: constant(700)},
		"an octave up": {Cents: constant(1200)}, "a larger throat": {Formants: constant(-300)}}
	rates := []int{8000, 44100, 96000}
	if underRace {
		rates = rates[:1]
	}
	worst := 0.0
	for _, sr := range rates {
		for name, x := range hostileVoices(sr) {
			s, err := Listen(x, sr)
			if err != nil {
				t.Fatal(err)
			}
			for what, e := range edits {
				y := render(t, s, e)
				sharper := sharpest(y) / max(sharpest(x), 1e-9)
				worst = max(worst, sharper)
				if sharper > 1.9 {
					t.Errorf("%d Hz, %s, %s: %.2f times as sharp", sr, name, what, sharper)
				}
				if d := rmsDB(y) - rmsDB(x); math.Abs(d) > 2 {
					t.Errorf("%d Hz, %s, %s: the level moves by %+.1f dB", sr, name, what, d)
				}
			}
		}
	}
	t.Logf("at most %.2f times as sharp", worst)
}

// A constant offset of a bad input stays what it is and makes no sound: moved
// with the grains it would buzz at the new pitch, louder than the voice.
func TestAConstantOffsetIsNoVoice(t *testing.T) {
	const offset = 0.3
	x := melody(4)
	y := make([]float32, len(x))
	for i, v := range x {
		y[i] = v + offset
	}
	for _, cents := range []float64{-1200, 700} {
		a, b := render(t, listen(t, x), Edits{Cents: constant(cents)}), render(t, listen(t, y), Edits{Cents: constant(cents)})
		beside := make([]float32, len(a))
		for i := range a {
			beside[i] = b[i] - offset - a[i]
		}
		if d := rmsDB(beside) - rmsDB(a); d > -20 {
			t.Errorf("%+g cents: %.1f dB beside the voice without the offset", cents, d)
		}
	}
	s := listen(t, y)
	for i, v := range render(t, s, Edits{}) {
		if v != y[i] {
			t.Fatalf("without an edit sample %d is %g, was %g", i, v, y[i])
		}
	}
}

// The hardest tuning there is, all of the way and at once, over a scoop, a wide
// vibrato that nobody noticed and a glide: no click, and a straight pitch.
func TestHardTuningMakesNoClicks(t *testing.T) {
	for name, c := range map[string]struct {
		note singer.Note
		rms  float64 // cents
	}{
		"a scoop":   {singer.Note{ScoopCents: 200}, 2},
		"a vibrato": {singer.Note{VibratoHz: 5.5, VibratoCents: 100}, 16},
		"a glide":   {singer.Note{GlideCents: 500}, 4},
	} {
		n := c.note
		n.Start, n.Length, n.Key, n.Vowel, n.Consonant = rate/4, rate, 57, "a", "m"
		x := voiceOf.Sing([]singer.Note{n}, 0, 3*rate/2)
		s := listen(t, x)
		y := render(t, s, Edits{Cents: s.Retuned([]Goal{{Onset: n.Start, Offset: n.Start + n.Length, Centre: centreOfSteady(t, x, n), Target: 5740, Amount: 1}})})
		if sharper := sharpest(y) / sharpest(x); sharper > 1.3 {
			t.Errorf("%s: %.2f times as sharp", name, sharper)
		}
		off := besideCents(t, y, n, 5740)
		t.Logf("%s: %.1f cents rms", name, off)
		if off > c.rms {
			t.Errorf("%s: %.1f cents rms beside the target", name, off)
		}
	}
}

// besideCents is the rms distance of a note's steady pitch from a target.
func besideCents(t *testing.T, x []float32, n singer.Note, target float64) float64 {
	t.Helper()
	sum, count := 0.0, 0.0
	for _, c := range steadyCents(t, x, n) {
		sum, count = sum+(c-target)*(c-target), count+1
	}
	return math.Sqrt(sum / count)
}

func centreOfSteady(t *testing.T, x []float32, n singer.Note) float64 {
	t.Helper()
	sum, count := 0.0, 0.0
	for _, c := range steadyCents(t, x, n) {
		sum, count = sum+c, count+1
	}
	return sum / count
}

// steadyCents are the pitches of the steady part of a note.
func steadyCents(t *testing.T, x []float32, n singer.Note) (out []float64) {
	t.Helper()
	frames, err := pitch.Track(x, rate, pitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	from, to := n.Start+int64(steadyStart*float64(n.Length)), n.Start+n.Length-int64(steadyEnd*float64(n.Length))
	for _, f := range frames {
		if f.Voiced && f.Sample >= from && f.Sample <= to {
			out = append(out, 1200*math.Log2(f.Hz/440)+6900)
		}
	}
	if len(out) < 20 {
		t.Fatalf("only %d readings", len(out))
	}
	return out
}

// Notes that are to go past each other go as far as time allows: moves that
// Render takes, and no click.
func TestMovesThatCrossMakeNoClicks(t *testing.T) {
	var notes []singer.Note
	for i := range 11 {
		notes = append(notes, singer.Note{Start: int64(i)*rate/2 + rate/4, Length: rate * 45 / 100, Key: 57 + float64(i%5), Vowel: []string{"a", "i", "u", "e", "o"}[i%5], Consonant: []string{"m", "", "n", "l"}[i%4]})
	}
	x := voiceOf.Sing(notes, 0, 6*rate)
	s := listen(t, x)
	r := rand.New(rand.NewPCG(1, 2))
	rounds := 8
	if underRace {
		rounds = 2
	}
	for range rounds {
		var entries []Entry
		for _, n := range notes {
			entries = append(entries, Entry{n.Start, n.Start + n.Length, int64(r.IntN(2*rate)) - rate})
		}
		moves, short := s.Retimed(entries)
		y := render(t, s, Edits{Moves: moves})
		if sharper := sharpest(y) / sharpest(x); sharper > 1.2 || short == 0 {
			t.Errorf("%d could not go all the way; %.2f times as sharp", short, sharper)
		}
	}
}
