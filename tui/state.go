package tui

import (
	"fmt"
	"math/bits"

	"cuechoir/engine/raster"
)

// State is all that the screen depends on. Views read it; keys make a new one.
type State struct {
	sheet         *sheet
	glyphs        *glyphs
	keys          *Keys
	stills        func(frame int64, w, h int) (Still, bool) // nil: none
	depth         raster.Depth                              // what greys can be shown
	Width, Height int

	Stage  Stage
	Frame  int64 // in the gate; 0 <= Frame < max(1, Frames)
	Zoom   int   // see window
	Layer  int   // chosen, 0 when there is none
	Worst  int   // rank of the finding last gone to, -1 for none
	Take   int   // chosen of the layer's takes
	Help   bool
	Top    int    // first line shown of the list of keys
	News   string // what there is to say about the last key
	pick   picked
	entry  *entry   // a line being typed, nil when none is
	notice []string // to be read before anything else

	Loop     bool    // over and over
	Click    bool    // heard
	Guide    bool    // the part heard
	Others   bool    // the other layers heard
	alone    bool    // in the mix, the chosen layer alone
	grouped  bool    // in the mix, keys work on the layer's group
	riding   bool    // in the mix, faders are ridden as it plays
	all      bool    // in the check, the list is of all layers
	VolumeDB float64 // of the headphones, at most 0
	Style    int     // of maps, in styles
	Offer    int     // chosen of offers
	Bits     int     // of a bounce
	Target   int     // in targets
	Stems    bool

	dial dialing

	run      run
	next     *Wish // what runs when this has stopped
	ready    bool  // pictures are there, or cannot be
	newest   bool  // the newest take is chosen when it has been read
	live     []Reading
	tapped   []int64
	ride     *ride // under way, nil when none is
	offers   []Offer
	bounced  *Bounced
	mix      *MixReading
	mixStale bool
	need     int    // of the open needs: the next to go to
	wishes   []Wish // for the desk, in order

	quit, reload bool // asked for; the loop that reads the keys acts on them
}

// secondsShown is how much of the reference the first screen shows, about.
const secondsShown = 24

// firstVolumeDB is how loud the headphones are at first: low.
const firstVolumeDB = -12

func newState(s *sheet, g *glyphs, w, h int) State {
	st := State{sheet: s, glyphs: g, keys: UsualKeys(), Width: w, Height: h, Worst: -1,
		Click: true, Guide: false, VolumeDB: firstVolumeDB, Bits: 24}
	perCell := secondsShown * s.Rate.Nominal() / 64
	st.Zoom = bits.Len64(uint64(max(1, perCell))) - 1
	st.clamp()
	return st
}

// withSheet shows another reading of the score, in the same place.
func (s State) withSheet(next *sheet) State {
	if s.Layer < len(s.sheet.layers) {
		key := s.sheet.layers[s.Layer].key
		for i := range next.layers {
			if next.layers[i].key == key {
				s.Layer = i
				break
			}
		}
	}
	s.sheet, s.Worst = next, -1
	s.heardOfDial()
	if v := s.voice(); s.newest && v != nil {
		s.Take, s.newest = len(v.Takes)-1, false
	}
	s.clamp()
	return s
}

func (s State) resized(w, h int) State {
	s.Width, s.Height = w, h
	s.clamp()
	return s
}

// clamp keeps the state inside what there is.
func (s *State) clamp() {
	s.Frame = max(0, min(s.Frame, s.sheet.Frames-1))
	s.Zoom = max(zoomIn, min(s.Zoom, s.zoomMost()))
	s.Layer = max(0, min(s.Layer, len(s.sheet.layers)-1))
	s.Top = max(0, min(s.Top, helpLines(*s)-s.Height))
	v := s.voice()
	if s.all && s.Worst >= len(s.sheet.Fixes) || !s.all && (v == nil || s.Worst >= len(v.worst)) {
		s.Worst = -1
	}
	if v == nil {
		s.Take = 0
	} else {
		s.Take = max(0, min(s.Take, len(v.Takes)-1))
	}
	s.Offer = max(0, min(s.Offer, len(s.offers)-1))
	s.pick.clamp(len(s.sheet.Bars))
}

func (s *State) zoomMost() int { return zoomOut(s.sheet.Frames, s.stripCols()) }

// voice is the chosen layer, nil when there is none.
func (s *State) voice() *voice {
	if s.Layer < 0 || s.Layer >= len(s.sheet.layers) {
		return nil
	}
	return &s.sheet.layers[s.Layer]
}

func (s *State) window() window { return newWindow(s.sheet, s.Frame, s.Zoom, s.stripCols()) }

func (s *State) stripCols() int { return max(1, s.Width-gutterFor(s.Width)) }

// wish asks the desk for something. What runs waits for what can give way: a
// playing; other runs have to be stopped first.
func (s *State) wish(w Wish) {
	if !w.Runs() || !s.run.busy() {
		s.wishes = append(s.wishes, w)
		return
	}
	switch {
	case s.run.wish.Do == DoPlay || s.run.wish.Do == DoCheck && w.Do == DoBounce || s.run.stopping:
		s.next, s.run.stopping = &w, true
		return
	case s.run.wish.Do == DoReady: // opening takes a moment; what is being made is made later
		s.next, s.run.stopping = &w, s.run.told.Total > 0
		return
	}
	s.News = runWords(s.run.wish.Do) + " first: esc stops it"
}

// runWords is what runs, in a word or two.
func runWords(d Deed) string {
	switch d {
	case DoPlay:
		return "playing"
	case DoSing:
		return "a take is being sung"
	case DoOffer:
		return "maps are being solved"
	case DoFollow:
		return "the beat is being followed"
	case DoCheck:
		return "the layers are being listened to"
	case DoMeasure:
		return "the mix is being measured"
	case DoBounce:
		return "the stem is being bounced"
	case DoFind:
		return "cuts are being found"
	}
	return "the pictures are being got ready"
}

// move puts a frame into the gate.
func (s *State) move(frame int64) {
	s.Frame = frame
	s.clamp()
}

// toCut, toHit and toBar go to the next (way 1) or the one before (way -1).
func (s *State) toCut(way int) {
	s.to(way, "cut", len(s.sheet.Cuts), s.sheet.cutFrom, func(i int) int64 { return s.sheet.Cuts[i].Frame })
}

func (s *State) toHit(way int) {
	s.to(way, "hit", len(s.sheet.Hits), s.sheet.hitFrom, func(i int) int64 { return s.sheet.Hits[i].Frame })
}

func (s *State) toBar(way int) {
	s.to(way, "bar", len(s.sheet.barsAt), s.sheet.barFrom, func(i int) int64 { return s.sheet.barsAt[i] })
}

// to goes along n things in order; from is the first at or after a frame.
func (s *State) to(way int, what string, n int, from func(int64) int, at func(int) int64) {
	i := from(s.Frame + 1)
	if way < 0 {
		i = from(s.Frame) - 1
	}
	if n == 0 {
		s.News = "this score has no " + what + "s yet"
		return
	}
	if i < 0 || i >= n || at(i) < 0 || at(i) >= max(1, s.sheet.Frames) {
		s.News = "no " + what + " further on"
		if way < 0 {
			s.News = "no " + what + " further back"
		}
		return
	}
	s.move(at(i))
}

// toWorst goes through the chosen layer's findings, worst first; or through what
// is gained most over all layers.
func (s *State) toWorst(way int) {
	if s.all {
		s.toFix(way)
		return
	}
	v := s.voice()
	switch {
	case v == nil:
		s.News = "this score has no layers yet"
		return
	case len(v.worst) == 0:
		s.News = "nothing to mend in this layer"
		if !v.Judged {
			s.News = "this layer is not listened to yet"
		}
		return
	}
	next := s.Worst + way
	if s.Worst < 0 {
		next = 0
	}
	if next < 0 || next >= len(v.worst) {
		s.News = "no finding beyond this one"
		return
	}
	s.Worst = next
	s.move(s.sheet.nearestFrame(v.Findings[v.worst[next]].Sample))
}

// toFix goes through the list of all layers and chooses the layer of each.
func (s *State) toFix(way int) {
	next := s.Worst + way
	if s.Worst < 0 {
		next = 0
	}
	if next < 0 || next >= len(s.sheet.Fixes) {
		s.News = "no finding beyond this one"
		if len(s.sheet.Fixes) == 0 {
			s.News = "nothing to mend in any layer that was listened to"
		}
		return
	}
	f := s.sheet.Fixes[next]
	for i := range s.sheet.layers {
		if s.sheet.layers[i].Name == f.Layer {
			s.toLayer(i)
		}
	}
	s.Worst = next
	s.move(f.Frame)
}

func (s *State) toLayer(layer int) {
	before := s.Layer
	s.Layer = layer
	s.clamp()
	if s.Layer != before {
		s.Worst, s.live = -1, nil
		s.chooseTakeInUse()
	}
}

func (s *State) zoomBy(by int) {
	before := s.Zoom
	s.Zoom += by
	s.clamp()
	if s.Zoom == before {
		s.News = "as far as it goes"
	}
}

// picked is a row of bars chosen for playing and singing: indices of the
// sheet's bars, both among them. open follows the gate.
type picked struct {
	on, open bool
	from, to int
}

func (p *picked) clamp(bars int) {
	if bars == 0 {
		*p = picked{}
		return
	}
	p.from, p.to = max(0, min(p.from, bars-1)), max(0, min(p.to, bars-1))
}

// pickBars begins to choose bars at the gate's, or ends with the gate's.
func (s *State) pickBars() {
	bar := s.sheet.barAt(s.Frame)
	switch {
	case len(s.sheet.Bars) == 0:
		s.News = "there are no bars yet: solve a map"
	case bar < 0:
		s.News = "no bar lies here"
	case s.pick.open:
		s.pick.to, s.pick.open = bar, false
		s.News = s.pickWords() + " chosen"
	default:
		s.pick = picked{on: true, open: true, from: bar, to: bar}
		s.News = "from " + s.pickWords() + "; go to the last bar and press the key again"
	}
}

// pickSpan is the chosen bars in order: indices, both among them.
func (s *State) pickSpan() (from, to int, ok bool) {
	p := s.pick
	if !p.on {
		return 0, 0, false
	}
	if p.open {
		if bar := s.sheet.barAt(s.Frame); bar >= 0 {
			p.to = bar
		}
	}
	return min(p.from, p.to), max(p.from, p.to), true
}

// pickSamples is the same as samples of the timeline, to left out.
func (s *State) pickSamples() (from, to int64, ok bool) {
	a, b, ok := s.pickSpan()
	if !ok {
		return 0, 0, false
	}
	from, to = s.sheet.Bars[a].Sample, s.sheet.lastSample()
	if b+1 < len(s.sheet.Bars) {
		to = s.sheet.Bars[b+1].Sample
	}
	from, to = max(0, from), min(to, s.sheet.lastSample())
	return from, to, from < to
}

func (s *State) pickWords() string {
	a, b, ok := s.pickSpan()
	if !ok {
		return ""
	}
	x, y := s.sheet.Bars[a].Number, s.sheet.Bars[b].Number
	if x == y {
		return fmt.Sprintf("bar %d", x)
	}
	return fmt.Sprintf("bars %d to %d", x, y)
}
