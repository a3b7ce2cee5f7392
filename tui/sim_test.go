package tui

import (
	"context"
	"strings"
	"testing"
	"time"

	"cuechoir/engine/timecode"

	"github.com/gdamore/tcell/v2"
)

// sim runs a screen on tcell's simulation: the one place that knows its traps.
// Cells appear only after Show, so shown copies them there; injecting blocks
// once ten events wait, so press waits until each event has been drawn; Init
// sets its own size, so the size is set again inside it.
type sim struct {
	tcell.SimulationScreen
	t      testing.TB
	w, h   int
	colors int
	frames chan snapshot // each Show
	ended  chan error
	finis  int
}

type snapshot struct {
	w, h  int
	cells []tcell.SimCell
}

func (s *sim) Init() error {
	if err := s.SimulationScreen.Init(); err != nil {
		return err
	}
	s.SimulationScreen.SetSize(s.w, s.h)
	return nil
}

func (s *sim) Colors() int { return s.colors }
func (s *sim) Fini()       { s.finis++; s.SimulationScreen.Fini() }

func (s *sim) Show() {
	s.SimulationScreen.Show()
	cells, w, h := s.GetContents()
	s.frames <- snapshot{w, h, append([]tcell.SimCell(nil), cells...)}
}

// start runs the screen and gives what it shows first.
func start(t testing.TB, w, h int, o Options, load func() (Model, error)) (*sim, snapshot, context.CancelFunc) {
	t.Helper()
	s := &sim{SimulationScreen: tcell.NewSimulationScreen("UTF-8"), t: t, w: w, h: h, colors: 1 << 24,
		frames: make(chan snapshot), ended: make(chan error, 1)}
	if o.Bare {
		s.colors = 0
	}
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	go func() { s.ended <- RunWith(ctx, s, load, o) }()
	return s, s.next(), cancel
}

// next is what the screen shows next.
func (s *sim) next() snapshot {
	s.t.Helper()
	select {
	case f := <-s.frames:
		return f
	case err := <-s.ended:
		s.t.Fatalf("the screen ended: %v", err)
	case <-time.After(10 * time.Second):
		s.t.Fatal("the screen shows nothing")
	}
	panic("unreachable")
}

// press gives one key and what is shown after it.
func (s *sim) press(key string) snapshot {
	s.t.Helper()
	s.inject(key)
	return s.next()
}

func (s *sim) inject(key string) {
	for k, name := range namedKeys() {
		if name == key {
			s.InjectKey(k, 0, 0)
			return
		}
	}
	for _, r := range key {
		s.InjectKey(tcell.KeyRune, r, 0)
		return
	}
}

func (s *sim) resize(w, h int) snapshot {
	s.t.Helper()
	s.SetSize(w, h)
	if err := s.PostEvent(tcell.NewEventResize(w, h)); err != nil { // the queue of ten is full
		s.t.Fatal(err)
	}
	return s.next()
}

// end waits for the screen to end.
func (s *sim) end() error {
	s.t.Helper()
	for {
		select {
		case err := <-s.ended:
			return err
		case <-s.frames:
		case <-time.After(10 * time.Second):
			s.t.Fatal("the screen does not end")
		}
	}
}

func (f snapshot) String() string {
	var b strings.Builder
	for y := range f.h {
		var line strings.Builder
		for x := range f.w {
			for _, r := range f.cells[y*f.w+x].Runes {
				line.WriteRune(r)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	return b.String()
}

// harbour is an invented score: 24000/1001, 60 s, 120 beats a minute from frame
// 0 (a bar of 4/4 is 2 s), a bar of 3/4 in it, voices in three groups.
func harbour() Model {
	const sr = 48000
	rate := timecode.Rate23976
	at := func(frame int64) int64 { return rate.SampleOf(frame, sr) }
	m := Model{Title: "The Harbour Under Glass", Rate: rate, Frames: 1440, Start: 86400, SampleRate: sr}
	for i, f := range []int64{38, 96, 131, 192, 240, 251, 262, 273, 336, 408, 480, 540, 612, 660, 744, 800, 905, 1000, 1104, 1190, 1280} {
		c := Cut{Frame: f, End: f, Kind: "cut"}
		switch i {
		case 8:
			c.Kind, c.End = "dissolve", f+18
		case 14:
			c.Kind, c.End = "fade-out", f+14
		case 15:
			c.Kind, c.End = "fade-in", f+10
		}
		m.Cuts = append(m.Cuts, c)
	}
	m.Hits = []Hit{
		{Frame: 96, Must: true, Name: "gate opens", Place: "3.1", Caught: true},
		{Frame: 192, Name: "lamp", Place: "5.1", Caught: true},
		{Frame: 240, Must: true, Name: "wave", Place: "6.1", Error: timecode.R(1, 4), Caught: true},
		{Frame: 273, Name: "oars", Place: "6.4", Error: timecode.R(7, 2)},
		{Frame: 336, Must: true, Name: "diver", Place: "8.1", Caught: true},
		{Frame: 480, Must: true, Name: "bell", Place: "11.1", Error: timecode.R(-1, 3), Caught: true},
		{Frame: 744, Name: "dark", Place: "16.3", Error: timecode.R(-5, 2)},
		{Frame: 1280, Must: true, Name: "title", Place: "27.3", Caught: true},
	}
	frame := int64(0)
	for n := 1; frame < m.Frames; n++ {
		b := Bar{Number: n, Sample: at(frame), BPM: 120 * 1000 / 1001.0, Metre: "4/4"}
		beats := int64(4)
		if n == 14 {
			b.Metre, beats = "3/4", 3
		}
		for k := range beats {
			b.Beats = append(b.Beats, at(frame+12*k))
		}
		m.Bars = append(m.Bars, b)
		frame += 12 * beats
	}
	m.Layers = harbourLayers(at)
	return m
}

func harbourLayers(at func(int64) int64) []Layer {
	tune := func(from int64, step int64, keys ...uint8) (out []Note) {
		for i, k := range keys {
			a := from + int64(i)*step
			if k > 0 {
				out = append(out, Note{Start: at(a), End: at(a + step), Key: k})
			}
		}
		return out
	}
	low := tune(0, 24, 45, 45, 43, 43, 41, 41, 40, 0, 45, 45, 48, 47, 45, 43, 41, 40, 45, 0, 0, 45, 47, 48, 50, 52)
	lead := tune(96, 12, 64, 67, 69, 69, 71, 72, 71, 69, 67, 64, 62, 64, 0, 0, 67, 69, 71, 74, 76, 74, 71, 69)
	lead[0].Name = "la"
	drum := []Note{}
	for f := int64(0); f < 480; f += 24 {
		drum = append(drum, Note{Start: at(f), End: at(f + 6), Unpitched: true, Name: "tk"})
	}
	return []Layer{
		{Name: "Horn low", Group: "brass", Take: "horn-low-2", Sung: true, Notes: low},
		{Name: "Horn high", Group: "brass", Notes: tune(48, 24, 57, 59, 60, 62, 64, 62, 60, 59)},
		{Name: "Tuba", Group: "brass", Take: "tuba-1", Sung: true, Muted: true, Notes: tune(0, 48, 33, 31, 29, 28, 33, 36)},
		{Name: "Lead", Group: "choir", Take: "lead-4", Sung: true, Notes: lead, Findings: []Finding{
			{Sample: at(108), Kind: "flat", Words: "bar 3 beat 2 (G4): flat by 34 cents: sing it again, higher", Severity: 1.4},
			{Sample: at(133), Kind: "late", Words: "bar 3 beat 4 (A4): late by 92 ms (2.2 frames): breathe sooner and sing it again", Severity: 1.5},
			{Sample: at(156), Kind: "wrong", Words: "bar 4 beat 2 (C5): a B4 was sung: sing the C5", Severity: 4},
			{Sample: at(276), Kind: "sharp", Words: "bar 6 beat 4 (A4): sharp by 28 cents", Severity: 1.1},
			{Sample: at(96), Kind: "drift", Words: "sinks 40 cents over the layer", Severity: 2.5},
		}},
		{Name: "Alto", Group: "choir", Notes: tune(96, 24, 60, 62, 64, 65, 64, 62)},
		{Name: "Tenor", Group: "choir", Take: "tenor-1", Sung: true, Notes: tune(96, 24, 55, 55, 57, 57, 55, 53)},
		{Name: "Skins", Group: "drums", Take: "skins-3", Sung: true, Notes: drum,
			Findings: []Finding{{Sample: at(48), Kind: "early", Words: "bar 2 beat 1: early by 51 ms", Severity: 1.2}}},
		{Name: "Metal", Group: "drums", Notes: drum[4:8]},
	}
}

func loadHarbour() (Model, error) { return harbour(), nil }
