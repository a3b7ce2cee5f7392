package voice

import (
	"math"
	"testing"

	"cuechoir/engine/pitch"
	"cuechoir/internal/singer"
)

// offKey are notes sung beside a line, with what each should be.
func offKey() (notes []singer.Note, goal []float64) {
	keys := []float64{57, 59, 60, 64, 62, 57}
	off := []float64{-40, 30, 55, -25, 10, -60}
	for i, k := range keys {
		notes = append(notes, singer.Note{Start: rate/2 + int64(i)*rate*8/10, Length: rate * 7 / 10, Key: k + off[i]/100, Vowel: "a", ScoopCents: 40,
			VibratoHz: 5.6, VibratoCents: 35, Consonant: []string{"", "m", "t"}[i%3]})
		goal = append(goal, 100*k)
	}
	return notes, goal
}

// heardGoals are the goals for notes as pitch hears them.
func heardGoals(t testing.TB, x []float32, goal []float64, amount, speed float64) (goals []Goal, heard []pitch.Note) {
	t.Helper()
	frames, err := pitch.Track(x, rate, pitch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	heard = pitch.Segment(x, frames, rate, pitch.SegmentOptions{})
	if len(heard) != len(goal) {
		t.Fatalf("%d notes are heard, %d were sung", len(heard), len(goal))
	}
	for i, n := range heard {
		goals = append(goals, Goal{Onset: n.Onset, Offset: n.Offset, Centre: n.CentreCents, VibratoHz: n.VibratoHz, Target: goal[i], Amount: amount, Speed: speed})
	}
	return goals, heard
}

func TestRetunedNotesLandAndKeepTheirVibrato(t *testing.T) {
	notes, goal := offKey()
	v := voiceOf
	v.JitterCents = 6
	x := v.Sing(notes, 0, 6*rate)
	s := listen(t, x)
	cases := []struct{ amount, speed float64 }{{1, 0.12}, {0.5, 0.2}, {1, 0.4}, {1, 0.02}, {0.8, 0.12}}
	if underRace {
		cases = cases[:1]
	}
	for _, c := range cases {
		goals, before := heardGoals(t, x, goal, c.amount, c.speed)
		y := render(t, s, Edits{Cents: s.Retuned(goals)})
		_, after := heardGoals(t, y, goal, 0, 0)
		for i, n := range after {
			want := before[i].CentreCents + c.amount*(goal[i]-before[i].CentreCents)
			if math.Abs(n.CentreCents-want) > 3 {
				t.Errorf("amount %g, speed %g s: note %d is %.1f cents beside where it should be", c.amount, c.speed, i, n.CentreCents-want)
			}
			if math.Abs(n.VibratoCents-before[i].VibratoCents) > 0.15*before[i].VibratoCents || math.Abs(n.VibratoHz-before[i].VibratoHz) > 0.2 {
				t.Errorf("amount %g, speed %g s: note %d: a vibrato of ±%.1f at %.2f Hz became ±%.1f at %.2f", c.amount, c.speed, i,
					before[i].VibratoCents, before[i].VibratoHz, n.VibratoCents, n.VibratoHz)
			}
		}
	}
}

// Notes sung on from one to the next, each off by its own: the curve turns where
// they meet.
func TestRetunedNotesOfOneBreath(t *testing.T) {
	var notes []singer.Note
	var goal []float64
	for i, off := range []float64{-40, 30, 45, -35, 40} {
		k := []float64{57, 59, 60, 64, 62}[i]
		notes = append(notes, singer.Note{Start: rate/2 + int64(i)*rate*6/10, Length: rate * 6 / 10, Key: k + off/100, Vowel: "a", Legato: i > 0})
		goal = append(goal, 100*k)
	}
	x := voiceOf.Sing(notes, 0, 4*rate)
	s := listen(t, x)
	goals, before := heardGoals(t, x, goal, 1, 0.12)
	_, after := heardGoals(t, render(t, s, Edits{Cents: s.Retuned(goals)}), goal, 0, 0)
	for i, n := range after {
		if math.Abs(n.CentreCents-goal[i]) > 3 {
			t.Errorf("note %d is %.1f cents beside where it should be", i, n.CentreCents-goal[i])
		}
	}
	// Every second one alone: the others stay as they were, from where the
	// legato has arrived to where it leaves.
	goals[1].Amount, goals[3].Amount = 0, 0
	y := render(t, s, Edits{Cents: s.Retuned(goals)})
	for _, i := range []int{1, 3} {
		from, to := notes[i].Start+rate*8/100, notes[i].Start+notes[i].Length-rate*8/100
		n, ok := pitchOf(t, y[from:to])
		if !ok || math.Abs(n.CentreCents-before[i].CentreCents) > 1 {
			t.Errorf("note %d, which is left alone, went %.1f cents off", i, n.CentreCents-before[i].CentreCents)
		}
		early, _ := pitchOf(t, y[from:from+rate/10])
		if math.Abs(early.CentreCents-before[i].CentreCents) > 3 {
			t.Errorf("note %d, which is left alone, begins %.1f cents off", i, early.CentreCents-before[i].CentreCents)
		}
	}
}

// A note that glides is straight at a short speed and keeps its glide at a
// long one.
func TestSpeedSaysWhatIsEvenedOut(t *testing.T) {
	v := voiceOf
	x := v.Sing([]singer.Note{{Start: rate / 2, Length: 3 * rate / 2, Key: 56.5, Vowel: "a", GlideCents: 100}}, 0, 5*rate/2)
	s := listen(t, x)
	glide := func(speed float64) float64 {
		n, ok := pitchOf(t, x)
		if !ok {
			t.Fatal("no note is heard")
		}
		y := render(t, s, Edits{Cents: s.Retuned([]Goal{{Onset: n.Onset, Offset: n.Offset, Centre: n.CentreCents, Target: 5700, Amount: 1, Speed: speed}})})
		a, _ := pitchOf(t, y[rate*8/10:rate*9/10])
		b, _ := pitchOf(t, y[rate*16/10:rate*17/10])
		return b.CentreCents - a.CentreCents
	}
	quick, slow := glide(0.03), glide(2)
	t.Logf("of a glide of 53 cents in 0.8 s a speed of 30 ms leaves %.1f, one of 2 s %.1f", quick, slow)
	if math.Abs(quick) > 4 || slow < 35 {
		t.Errorf("a speed of 30 ms leaves %.1f cents of the glide, one of 2 s %.1f", quick, slow)
	}
}

func TestNoAmountNoChange(t *testing.T) {
	notes, goal := offKey()
	x := voiceOf.Sing(notes, 0, 6*rate)
	s := listen(t, x)
	goals, _ := heardGoals(t, x, goal, 0, 0.12)
	y := render(t, s, Edits{Cents: s.Retuned(goals)})
	for i := range x {
		if x[i] != y[i] {
			t.Fatalf("an amount of 0 changes sample %d", i)
		}
	}
}

func TestRetimedNotesBeginOnTime(t *testing.T) {
	v := voiceOf
	var notes []singer.Note
	late := []int64{0, 2400, -1920, 3600, -2880, 1440, 0}
	for i, by := range late {
		notes = append(notes, singer.Note{Start: rate/2 + int64(i)*rate/2 + by, Length: rate * 4 / 10, Key: 57 + float64(i%3), Vowel: "o", Consonant: []string{"t", "", "s", "k"}[i%4]})
	}
	x := v.Sing(notes, 0, 5*rate)
	s := listen(t, x)
	_, heard := heardGoals(t, x, make([]float64, len(notes)), 0, 0)
	var entries []Entry
	for i, n := range heard {
		entries = append(entries, Entry{n.Onset, n.Offset, -late[i]})
	}
	moves, short := s.Retimed(entries)
	if short != 0 {
		t.Errorf("%d notes could not go all the way", short)
	}
	y := render(t, s, Edits{Moves: moves})
	_, after := heardGoals(t, y, make([]float64, len(notes)), 0, 0)
	for i, n := range after {
		off := n.Onset - (heard[i].Onset - late[i])
		t.Logf("note %d: %+.1f ms", i, 1000*float64(off)/rate)
		if off < -240 || off > 240 {
			t.Errorf("note %d begins %.1f ms beside its place", i, 1000*float64(off)/rate)
		}
		if math.Abs(n.CentreCents-heard[i].CentreCents) > 3 {
			t.Errorf("note %d went %.1f cents off", i, n.CentreCents-heard[i].CentreCents)
		}
		// Its consonant came along, sample by sample, but for its first 15 ms,
		// which may be too soft to be found, or lie under the end of the note before.
		for k := notes[i].Start - notes[i].Lead(rate) + 720; k < notes[i].Start-240; k++ {
			if x[k] != y[k-late[i]] {
				t.Errorf("note %d: its consonant is not what it was at %d", i, k-notes[i].Start)
				break
			}
		}
	}
}

// A long way into a note does not pull its centre away, however slowly the
// mend follows.
func TestAScoopDoesNotMoveTheCentre(t *testing.T) {
	for _, speed := range []float64{0.15, 2} {
		x := voiceOf.Sing([]singer.Note{{Start: rate / 2, Length: rate * 35 / 100, Key: 57.3, Vowel: "a", ScoopCents: 250}}, 0, rate*3/2)
		goals, _ := heardGoals(t, x, []float64{5700}, 1, speed)
		s := listen(t, x)
		_, after := heardGoals(t, render(t, s, Edits{Cents: s.Retuned(goals)}), []float64{5700}, 0, 0)
		if off := after[0].CentreCents - 5700; math.Abs(off) > 3 {
			t.Errorf("speed %g s: %.1f cents off", speed, off)
		}
	}
}

// A wish that time cannot bear is met as far as it goes, and told.
func TestRetimeGoesNoFurtherThanTimeBears(t *testing.T) {
	s := &Sung{x: make([]float32, 4*rate), rate: rate}
	entries := []Entry{{rate, rate + 4800, 0}, {rate + 9600, rate + 19200, -20000}, {3 * rate, 3*rate + 9600, 2 * rate}}
	moves, short := s.Retimed(entries)
	if short != 2 {
		t.Errorf("%d are told as short, want 2", short)
	}
	if _, err := newWarp(moves, int64(len(s.x))); err != nil {
		t.Error(err)
	}
	if _, err := s.Render(Edits{Moves: moves}); err != nil {
		t.Error(err)
	}
}
