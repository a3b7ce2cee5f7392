package tui

import "fmt"

// styles are the maps that can be asked for, in the order of the key.
func styles() []string { return []string{"stepped", "steady", "gliding", "follow", "tapped"} }

func (s *State) nextStyle() {
	s.Style = (s.Style + 1) % len(styles())
	s.News = map[string]string{
		"stepped": "stepped: the tempo changes on hits", "steady": "steady: one tempo",
		"gliding": "gliding: the tempo glides from hit to hit", "follow": "follow: the reference's own beat",
		"tapped": "tapped: the beat that you tap",
	}[styles()[s.Style]]
}

// solve asks for maps of the chosen style.
func (s *State) solve() {
	style := styles()[s.Style]
	switch {
	case style == "follow":
		s.wish(Wish{Do: DoFollow, Style: style})
	case style == "tapped" && len(s.sheet.Taps) == 0:
		s.News = "nothing is tapped yet: play with space and tap with t"
	case style == "tapped":
		s.wish(Wish{Do: DoFollow, Style: style})
	default:
		s.wish(Wish{Do: DoOffer, Style: style})
	}
}

func (s *State) toOffer(way int) {
	next := s.Offer + way
	if next < 0 || next >= len(s.offers) {
		s.News = "no other map is offered; enter finds some"
		return
	}
	s.Offer = next
}

func (s *State) keepMap() {
	if len(s.offers) == 0 {
		s.News = "no map is offered yet; enter finds some"
		return
	}
	s.wish(Wish{Do: DoKeepMap, Index: s.Offer, Style: s.offers[s.Offer].Style})
}

// tap keeps the moment that sounds; the taps are added when the playing ends.
func (s *State) tap() {
	if s.run.wish.Do != DoPlay {
		s.News = "taps count while it plays: space plays"
		return
	}
	at := s.run.told.At
	if n := len(s.tapped); at < 0 || at >= s.sheet.lastSample() || n > 0 && s.tapped[n-1] >= at {
		return
	}
	s.tapped = append(s.tapped[:len(s.tapped):len(s.tapped)], at)
	s.News = fmt.Sprintf("%d taps", len(s.tapped))
}

// sing records a take of the chosen layer: the chosen bars, or all.
func (s *State) sing() {
	v := s.voice()
	if v == nil {
		s.News = "there is no layer to sing yet: n makes one"
		return
	}
	w := Wish{Do: DoSing, Layer: v.Name, Loop: s.Loop, Hear: Hear{Click: s.Click, VolumeDB: s.VolumeDB}}
	if s.Guide && len(v.Notes) > 0 {
		w.Hear.Guide = v.Name
	}
	if s.Others {
		for i := range s.sheet.layers {
			if l := &s.sheet.layers[i]; i != s.Layer && l.Sung && !l.Muted {
				w.Hear.Layers = append(w.Hear.Layers, l.Name)
			}
		}
	}
	if from, to, ok := s.pickSamples(); ok {
		w.From, w.To = from, to
		w.Name = s.pickWords()
	}
	s.wish(w)
}

// chosenTake is the take that is chosen in the stack, nil when there is none.
func (s *State) chosenTake() *Take {
	v := s.voice()
	if v == nil || len(v.Takes) == 0 {
		return nil
	}
	return &v.Takes[max(0, min(s.Take, len(v.Takes)-1))]
}

// chooseTakeInUse chooses the take that sounds.
func (s *State) chooseTakeInUse() {
	s.Take = 0
	if v := s.voice(); v != nil {
		for i := range v.Takes {
			if v.Takes[i].InUse {
				s.Take = i
			}
		}
	}
}

func (s *State) toTake(way int) {
	v := s.voice()
	if v == nil || len(v.Takes) == 0 {
		s.News = "nothing is sung here yet"
		return
	}
	next := s.Take + way
	if next < 0 || next >= len(v.Takes) {
		s.News = "no take beyond this one"
		return
	}
	s.Take = next
}

// ofTake wishes for something of the chosen take.
func (s *State) ofTake(w Wish) {
	t := s.chosenTake()
	if t == nil {
		s.News = "nothing is sung here yet"
		return
	}
	w.Layer, w.Take = s.voice().Name, t.ID
	s.wish(w)
}

func (s *State) useTake() { s.ofTake(Wish{Do: DoUseTake}) }

func (s *State) starTake() {
	if t := s.chosenTake(); t != nil {
		s.ofTake(Wish{Do: DoRate, Index: (t.Stars + 1) % 6})
	}
}

// compTake has the chosen bars sound from the chosen take.
func (s *State) compTake() {
	from, to, ok := s.pickSamples()
	if !ok {
		s.News = "choose bars first, with x"
		return
	}
	s.ofTake(Wish{Do: DoComp, From: from, To: to, Name: s.pickWords()})
}

func (s *State) newLayer() {
	s.ask("name of the new layer", "", func(s *State, text string) {
		if text != "" {
			s.wish(Wish{Do: DoAddLayer, Name: text})
		}
	})
}
