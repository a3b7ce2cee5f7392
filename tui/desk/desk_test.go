package desk

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
	"cuechoir/tui"
)

func TestMain(m *testing.M) {
	decoder.ServeIfAsked()
	os.Exit(m.Run())
}

// evening is a score of four seconds at 24 frames a second made from a sound,
// with two cuts and two layers with parts, and a voice in a file: a tone of A3.
func evening(t testing.TB) (f *score.Folder, voice string) {
	t.Helper()
	const sr = 48000
	tone := func(name string, hz, level float64) string {
		x := make([]float32, 4*sr)
		for i := range x {
			p := 2 * math.Pi * hz * float64(i) / sr
			x[i] = float32(level * (math.Sin(p) + math.Sin(2*p)/2 + math.Sin(3*p)/4))
		}
		path := filepath.Join(t.TempDir(), name)
		if err := audiotest.Write(path, sr, 24, x); err != nil {
			t.Fatal(err)
		}
		return path
	}
	dir := filepath.Join(t.TempDir(), "evening")
	rate := timecode.Rate24
	if _, err := job.New(t.Context(), dir, job.NewOptions{Reference: tone("guide.wav", 110, 0.1), Rate: &rate}); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	_, err = f.Edit("layers added", func(s *score.Score) error {
		notes := []part.Note{{Start: timecode.R(0, 1), Length: timecode.R(2, 1), Key: 57}, {Start: timecode.R(2, 1), Length: timecode.R(2, 1), Key: 57}}
		s.Layers = []score.Layer{{Name: "alto", Group: "choir", Notes: notes}, {Name: "bass", Group: "choir", Notes: notes}}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, frame := range []int64{24, 48} {
		if _, err := job.ToggleCut(f, frame); err != nil {
			t.Fatal(err)
		}
	}
	return f, tone("voice.wav", 220, 0.2)
}

// do does a wish that has to succeed.
func do(t testing.TB, d *Desk, w tui.Wish) tui.Outcome {
	t.Helper()
	out, err := d.Do(t.Context(), w, func(tui.Told) {})
	if err != nil {
		t.Fatalf("%s: %v", w.Do, err)
	}
	return out
}

// The whole walk by wishes alone: hits, maps, takes from a file, the check, the
// mix, the bounce; each shows in what is loaded next.
func TestTheWalk(t *testing.T) {
	f, voice := evening(t)
	d := New(f, Options{Silent: true, Input: voice})
	defer d.Close()
	load := func() tui.Model {
		t.Helper()
		m, err := d.Load(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	do(t, d, tui.Wish{Do: tui.DoHit, Frame: 24, Must: true})
	do(t, d, tui.Wish{Do: tui.DoNameHit, Frame: 24, Name: "the door"})
	do(t, d, tui.Wish{Do: tui.DoHit, Frame: 48})
	if m := load(); len(m.Hits) != 2 || m.Hits[0].Name != "the door" || !m.Hits[0].Must || m.Hits[1].Must || len(m.Wave) != 96 || m.Room <= 0 {
		t.Errorf("%+v, %d of the wave, room for %d s", m.Hits, len(m.Wave), m.Room)
	}
	out := do(t, d, tui.Wish{Do: tui.DoOffer, Style: "stepped"})
	if len(out.Offers) == 0 || len(load().Bars) != 0 {
		t.Fatalf("%d maps offered, %d bars", len(out.Offers), len(load().Bars))
	}
	do(t, d, tui.Wish{Do: tui.DoKeepMap, Index: 0, Style: "stepped"})
	if m := load(); len(m.Bars) == 0 || m.Hits[0].Error.Sign() != 0 || m.Hits[0].Place == "" {
		t.Errorf("%d bars, hit %+v", len(m.Bars), m.Hits[0])
	}
	var told []tui.Told
	if _, err := d.Do(t.Context(), tui.Wish{Do: tui.DoSing, Layer: "alto", Hear: tui.Hear{Click: true, VolumeDB: -12}}, func(x tui.Told) { told = append(told, x) }); err != nil {
		t.Fatal(err)
	}
	checkTold(t, told)
	m := load()
	if l := m.Layers[0]; !l.Sung || len(l.Takes) != 1 || !l.Takes[0].InUse || l.Judged {
		t.Errorf("after the take: %+v", l.Takes)
	}
	do(t, d, tui.Wish{Do: tui.DoCheck})
	if l := load().Layers[0]; !l.Judged || len(l.Trace) < 100 {
		t.Errorf("judged %v, %d readings", l.Judged, len(l.Trace))
	}
	do(t, d, tui.Wish{Do: tui.DoSing, Layer: "alto", From: 0, To: 48000})
	if l := load().Layers[0]; len(l.Takes) != 2 || !l.Takes[1].Patch {
		t.Errorf("after the punch: %+v", l.Takes)
	}
	do(t, d, tui.Wish{Do: tui.DoComp, Layer: "alto", Take: "002", From: 4800, To: 43200, Name: "bar 1"})
	if l := load().Layers[0]; !l.Takes[1].Comped || l.Judged {
		t.Errorf("comped %v; what was judged is of another sound, and is still shown: %v", l.Takes[1].Comped, l.Judged)
	}
	if out := do(t, d, tui.Wish{Do: tui.DoMeasure}); out.Mix == nil || len(out.Mix.Peak) != 96 || len(load().Layers[0].Levels) != 96 {
		t.Errorf("the mix: %+v", out)
	}
	b := do(t, d, tui.Wish{Do: tui.DoBounce, Bits: 24}).Bounced
	if b == nil || b.Samples != 192_000 || m.Samples != b.Samples || len(b.LeftOut) != 1 {
		t.Errorf("bounced %+v, the reference has %d samples", b, m.Samples)
	}
	if st, err := os.Stat(b.Files[0]); err != nil || st.Size() < 192_000*6 {
		t.Errorf("the stem: %v", err)
	}
	// The screen's list of what a stem needs is the command's.
	do(t, d, tui.Wish{Do: tui.DoCheck})
	want, err := job.Ready(t.Context(), f, job.ReadyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	needs := load().Needs
	if len(needs) != len(want) {
		t.Fatalf("%d lines on the screen, the command gives %d", len(needs), len(want))
	}
	for i, l := range want {
		n := needs[i]
		if n.What != l.What || n.Layer != l.Layer || n.Words != l.Words || n.Command != l.Command || (n.Stand == tui.Met) != (l.Stand == job.Done) || (n.Stand == tui.Look) != (l.Stand == job.Look) {
			t.Errorf("line %d: %+v on the screen, the command says %+v", i, n, l)
		}
	}
	if err := os.Remove(b.Files[0]); err != nil {
		t.Fatal(err)
	}
	if n := load().Needs; n[len(n)-1].What != job.AskStem || n[len(n)-1].Stand != tui.InTheWay {
		t.Errorf("without its stem: %+v", n[len(n)-1])
	}
}

// checkTold looks at what is told of a take: a count that comes down to none, a
// level, readings in order at the voice's own pitch.
func checkTold(t *testing.T, told []tui.Told) {
	t.Helper()
	counted, readings, good := map[int]bool{}, 0, 0
	last := int64(math.MinInt64)
	for _, x := range told {
		counted[x.Count] = true
		if x.Count > 0 && x.At > 12_000 {
			t.Errorf("counted %d at %d, when it has begun", x.Count, x.At)
		}
		for _, r := range x.Voice {
			if r.Sample <= last {
				t.Fatalf("reading at %d after %d", r.Sample, last)
			}
			last = r.Sample
			if r.Sample > 9600 && r.Sample < 180_000 {
				readings++
				if r.Voiced && math.Abs(r.Cents-5700) < 10 { // A3, key 57
					good++
				}
			}
		}
	}
	if !counted[1] || !counted[4] || !counted[0] {
		t.Errorf("the count-in called %v", counted)
	}
	if readings < 100 || good < readings*95/100 {
		t.Errorf("%d of %d readings are A3", good, readings)
	}
}

// Undo takes back what a key did, and redo does it again.
func TestUndoByWish(t *testing.T) {
	f, _ := evening(t)
	d := New(f, Options{})
	do(t, d, tui.Wish{Do: tui.DoHit, Frame: 24, Must: true})
	for _, c := range []struct {
		deed tui.Deed
		hits int
	}{{tui.DoUndo, 0}, {tui.DoRedo, 1}, {tui.DoUndo, 0}} {
		out := do(t, d, tui.Wish{Do: c.deed})
		if s, _ := f.Load(); len(s.Hits) != c.hits || !out.Changed || !strings.Contains(out.News, "must-hit at frame 24") {
			t.Errorf("%s: %d hits, %+v", c.deed, len(s.Hits), out)
		}
	}
}

// Without a sound device playing runs by the clock and says so; a stop ends it.
func TestPlayInSilence(t *testing.T) {
	f, _ := evening(t)
	d := New(f, Options{Silent: true})
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	var last tui.Told
	_, err := d.Do(ctx, tui.Wish{Do: tui.DoPlay, From: 1000, To: 190_000, Hear: tui.Hear{Reference: true}}, func(x tui.Told) { last = x })
	if err != nil || !last.Silent || last.Note == "" || last.At < 1000 || last.At > 190_000 {
		t.Errorf("%+v, %v", last, err)
	}
}

// Wishes that cannot be met are errors in words, and change nothing.
func TestWishesThatCannotBe(t *testing.T) {
	f, _ := evening(t)
	d := New(f, Options{Silent: true, Input: filepath.Join(t.TempDir(), "none.wav")})
	before, _ := f.Load()
	for _, w := range []tui.Wish{{Do: tui.DoUndo}, {Do: tui.DoKeepMap}, {Do: tui.DoHit, Frame: -4}, {Do: tui.DoNameHit, Frame: 3}, {Do: tui.DoPin, Frame: 3},
		{Do: tui.DoUseTake, Layer: "alto", Take: "009"}, {Do: tui.DoFader, Layer: "nobody"}, {Do: tui.DoFader, Group: "nobody"}, {Do: tui.DoAddLayer, Name: "../x"},
		{Do: tui.DoAddLayer, Name: "alto"}, {Do: tui.DoSing, Layer: "alto"}, {Do: tui.DoCheck}, {Do: tui.DoBounce}, {Do: tui.DoFollow, Style: "tapped"},
		{Do: "whistle"}} {
		if w.Do == tui.DoUndo {
			continue // the evening's own steps can be taken back
		}
		if _, err := d.Do(t.Context(), w, func(tui.Told) {}); err == nil || fault.KindOf(err) == fault.Unexpected && w.Do != "whistle" {
			t.Errorf("%+v: %v", w, err)
		}
	}
	after, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	a, _ := score.Encode(before)
	b, _ := score.Encode(after)
	if string(a) != string(b) {
		t.Error("the score was changed")
	}
}
