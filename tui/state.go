package tui

import "math/bits"

// State is all that the screen depends on. Views read it; keys make a new one.
type State struct {
	sheet         *sheet
	glyphs        *glyphs
	Width, Height int

	Frame int64 // in the gate; 0 <= Frame < max(1, Frames)
	Zoom  int   // see window
	Layer int   // chosen, 0 when there is none
	Worst int   // rank of the finding last gone to, -1 for none
	Help  bool
	Top   int    // first line shown of the list of keys
	News  string // what there is to say about the last key

	quit, reload bool // asked for; the loop that reads the keys acts on them
}

// secondsShown is how much of the reference the first screen shows, about.
const secondsShown = 24

func newState(s *sheet, g *glyphs, w, h int) State {
	st := State{sheet: s, glyphs: g, Width: w, Height: h, Worst: -1}
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
	if v := s.voice(); v == nil || s.Worst >= len(v.worst) {
		s.Worst = -1
	}
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

// toWorst goes through the chosen layer's findings, worst first.
func (s *State) toWorst(way int) {
	v := s.voice()
	switch {
	case v == nil:
		s.News = "this score has no layers yet"
		return
	case len(v.worst) == 0:
		s.News = "nothing to mend in this layer"
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

func (s *State) toLayer(layer int) {
	before := s.Layer
	s.Layer = layer
	s.clamp()
	if s.Layer != before {
		s.Worst = -1
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
