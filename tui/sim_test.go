package tui

import (
	"context"
	"math"
	"slices"
	"strings"
	"sync"
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

// fakeDesk is a desk of a test: it reads by load, keeps what is wished for, and
// does it by do, when there is one.
type fakeDesk struct {
	load   func() (Model, error)
	do     func(context.Context, Wish, func(Told)) (Outcome, error)
	mu     sync.Mutex
	wishes []Wish
}

func (d *fakeDesk) Load(context.Context) (Model, error) { return d.load() }

func (d *fakeDesk) Do(ctx context.Context, w Wish, tell func(Told)) (Outcome, error) {
	d.mu.Lock()
	d.wishes = append(d.wishes, w)
	d.mu.Unlock()
	if d.do == nil || w.Do == DoReady {
		return Outcome{}, nil
	}
	return d.do(ctx, w, tell)
}

// done are the wishes so far, but for the first.
func (d *fakeDesk) done() []Wish {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.wishes)
}

// Still draws a picture that is of its frame and no other: a ramp that turns
// with the frame, of the shape 4 to 3.
func (d *fakeDesk) Still(frame int64, w, h int) (Still, bool) {
	if 3*w > 4*h {
		w = h * 4 / 3
	} else {
		h = w * 3 / 4
	}
	if w < 1 || h < 1 {
		return Still{}, false
	}
	s := Still{W: w, H: h, Pix: make([]byte, w*h)}
	for i := range s.Pix {
		x, y := i%w, i/w
		s.Pix[i] = byte((x*255/w + y*128/h + int(frame)*7) % 256)
	}
	return s, true
}

// start runs the screen in its stage Check and gives what it shows first.
func start(t testing.TB, w, h int, o Options, load func() (Model, error)) (*sim, snapshot, context.CancelFunc) {
	t.Helper()
	o.Stage = Check
	return startDesk(t, w, h, o, &fakeDesk{load: load})
}

// startDesk runs the screen over a desk, and waits until the desk has done what
// it is wished for at first.
func startDesk(t testing.TB, w, h int, o Options, desk Desk) (*sim, snapshot, context.CancelFunc) {
	t.Helper()
	s := &sim{SimulationScreen: tcell.NewSimulationScreen("UTF-8"), t: t, w: w, h: h, colors: 1 << 24,
		frames: make(chan snapshot, 4096), ended: make(chan error, 1)}
	if o.Bare {
		s.colors = 0
	}
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	go func() { s.ended <- RunWith(ctx, s, desk, o) }()
	s.next()
	return s, s.next(), cancel
}

// settled is what stands on the screen once nothing more is drawn, for looking
// at: a test that judges waits with until or like.
func (s *sim) settled(f snapshot) snapshot {
	for {
		select {
		case f = <-s.frames:
		case <-time.After(400 * time.Millisecond):
			return f
		}
	}
}

// like waits for a screen that pleases, and gives the last one shown when none
// does in time.
func (s *sim) like(f snapshot, pleases func(snapshot) bool) (snapshot, bool) {
	for end := time.After(10 * time.Second); ; {
		if pleases(f) {
			return f, true
		}
		select {
		case f = <-s.frames:
		case <-end:
			return f, false
		}
	}
}

// until waits for a screen that holds all of these words.
func (s *sim) until(words ...string) snapshot {
	s.t.Helper()
	f, ok := s.like(snapshot{}, func(f snapshot) bool {
		return f.cells != nil && !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(f.String(), w) })
	})
	if !ok {
		s.t.Fatalf("%q never come up:\n%s", words, f)
	}
	return f
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

func (s *sim) inject(key string) {
	for k, name := range namedKeys() {
		if name == key {
			s.InjectKey(k, 0, 0)
			return
		}
	}
	if key == "space" {
		key = " "
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
	f, ok := s.like(snapshot{w: -1}, func(f snapshot) bool { return f.w == w && f.h == h })
	if !ok {
		s.t.Fatalf("shown at %d by %d, want %d by %d", f.w, f.h, w, h)
	}
	return f
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
	m.Sound, m.Style, m.Room = true, "steady", 5*3600
	m.Taps = []int64{at(60), at(72), at(84)}
	m.Pins = []Pin{{8, 1, 336}}
	m.Groups = []Group{{Name: "brass", GainDB: -2}, {Name: "choir", Moves: []Move{{at(100), 0}, {at(240), -6}}}, {Name: "drums", Muted: true}}
	m.Fixes = []Fix{{"Lead", 3, 4, 156, 0.41, "bar 4 beat 2 (C5): a B4 was sung: sing the C5"}, {"Skins", 1, 2, 24, 0.2, "bar 2 beat 1: early by 51 ms"}}
	m.Chords = []Chord{{at(96), at(120), "bar 3: Tenor G3, Lead E4; Lead to Tenor 6:5, 22 c wide, beats 4.1 Hz; Lead down 18 c", true},
		{at(144), at(168), "bar 4: Tenor A3, Lead A4; Lead to Tenor 2:1, 3 c narrow, beats 0.4 Hz", false}}
	m.Needs = []Need{{What: "map", Stand: Met, Words: "12 bars on the map"},
		{What: "hits", Stand: Look, Words: "5 of 6 hits caught; missed that were wanted: oars", Command: "cuechoir map show"},
		{What: "layers", Stand: Look, Words: "5 of 8 layers sung", Command: "cuechoir layer"},
		{What: "layers", Layer: "Horn high", Stand: InTheWay, Words: "not sung yet", Command: "cuechoir sing Horn-high"},
		{What: "layers", Layer: "Tuba", Stand: Look, Words: "muted, so it is not in the stem", Command: "cuechoir layer set Tuba --mute=false"},
		{What: "tuning", Layer: "Lead", Stand: InTheWay, Words: "3 findings of tuning to mend", Command: "cuechoir sing Lead --bars 3-4"},
		{What: "tuning", Layer: "Tenor", Stand: Met, Words: "in tune and in time, no dropout, nothing clipped"},
		{What: "stem", Stand: InTheWay, Words: "the stem is not bounced yet", Command: "cuechoir bounce"}}
	for f := range m.Frames {
		m.Wave = append(m.Wave, float32(0.02+0.5*math.Abs(math.Sin(float64(f)/17))*math.Exp(-float64(f%48)/30)))
	}
	for i := range m.Layers {
		m.Layers[i].sing(m)
		m.Layers[i].Dials = someDials("cuechoir mix set " + m.Layers[i].Name)
	}
	for i := range m.Groups {
		m.Groups[i].Dials = someDials("cuechoir mix group " + m.Groups[i].Name)[3:6]
	}
	m.Colours = []string{"low-brass", "strings", "timpani"}
	m.Dials = []Dial{{Name: "room", Text: "seconds=2.5 pre_delay_ms=20", Usual: "seconds=2.5", Uses: "the room that layers send to", Command: "cuechoir mix room seconds=2.5 pre_delay_ms=20"},
		{Name: "ride", Usual: "LAYER depth_db=9", Uses: "the music ducks under a layer", Command: "cuechoir mix ride LAYER depth_db=9"}}
	return m
}

// someDials are what a layer's sound could have.
func someDials(command string) []Dial {
	return []Dial{{Name: "retune", Text: "amount=80 speed_ms=120", Usual: "amount=80 speed_ms=120", Uses: "brings notes to their pitch", Command: "cuechoir mend"},
		{Name: "retime", Usual: "to=grid amount=80", Uses: "to grid, hits or a layer"},
		{Name: "colour", Text: "strings", Usual: "strings", Uses: "what the voice becomes"},
		{Name: "high-pass", Usual: "hz=80", Uses: "takes away what is low"},
		{Name: "eq-low", Text: "hz=110 db=3", Usual: "hz=110 db=2", Uses: "more or less of the low", Command: command + " --eq-low 'hz=110 db=3'"},
		{Name: "compressor", Text: "threshold_db=-20 ratio=4", Usual: "threshold_db=-20 ratio=3", Uses: "lowers what is loud", Command: command + " --compressor 'threshold_db=-20 ratio=4'"},
		{Name: "room", Text: "db=-12", Usual: "db=-12", Uses: "how much goes to the room"}}
}

// sing gives a layer of the harbour its takes, levels and pitch.
func (l *Layer) sing(m Model) {
	if !l.Sung {
		return
	}
	end := m.Rate.SampleOf(m.Frames, m.SampleRate)
	l.Judged, l.GainDB, l.Pan = true, -3, 0.4
	l.Takes = []Take{{ID: "001", From: 0, To: end, PeakDB: -14, Stars: 2}, {ID: "002", From: 0, To: end, PeakDB: -9.4, InUse: true, Stars: 4},
		{ID: "003", From: end / 4, To: end / 2, PeakDB: -11, Patch: true, Comped: true, Faults: 1}}
	l.Levels = make([]float32, m.Frames)
	for _, n := range l.Notes {
		for f := m.Rate.FrameOf(n.Start, m.SampleRate); f < m.Rate.FrameOf(n.End, m.SampleRate); f++ {
			l.Levels[f] = 0.3
		}
		if n.Unpitched {
			continue
		}
		for at := n.Start + 2400; at < n.End-2400; at += 960 {
			l.Trace = append(l.Trace, Reading{Sample: at, Cents: 100*float64(n.Key) + 30*math.Sin(float64(at)/4000), Voiced: true})
		}
	}
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
