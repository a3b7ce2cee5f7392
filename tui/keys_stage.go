package tui

import "fmt"

// ofStage is the table of keys of one stage, beside those that walk.
func ofStage(st Stage) []binding {
	switch st {
	case Spot:
		return spotKeys()
	case Map:
		return mapKeys()
	case Sing:
		return singKeys()
	case Check:
		return checkKeys()
	case Mix:
		return mixKeys()
	case inDials:
		return dialKeys()
	}
	return bounceKeys()
}

func spotKeys() []binding {
	return []binding{
		{"must", []string{"m", "enter"}, "m must-hit", "must-hit here, or none", func(s *State) { s.wish(Wish{Do: DoHit, Frame: s.Frame, Must: true}) }},
		{"want", []string{"n"}, "n want-hit", "want-hit here, or none", func(s *State) { s.wish(Wish{Do: DoHit, Frame: s.Frame}) }},
		{"lands", []string{"o"}, "o lands on", "hit on bar, beat or half", func(s *State) { s.wish(Wish{Do: DoLands, Frame: s.Frame}) }},
		{"name", []string{"i"}, "i name", "name the hit or shot", func(s *State) { s.nameHere() }},
		{"cut", []string{"y"}, "y cut", "cut here, or none", func(s *State) { s.wish(Wish{Do: DoCut, Frame: s.Frame}) }},
		{"cut-later", []string{"."}, ". move cut", "cut a frame later", func(s *State) { s.moveCut(1) }},
		{"cut-earlier", []string{","}, "", "cut a frame earlier", func(s *State) { s.moveCut(-1) }},
		{"find", []string{"ctrl-f"}, "", "find the cuts again", func(s *State) { s.wish(Wish{Do: DoFind}) }},
	}
}

func mapKeys() []binding {
	return []binding{
		{"solve", []string{"enter"}, "enter solve", "find maps for the hits", func(s *State) { s.solve() }},
		{"style", []string{"y"}, "y style", "another style of map", func(s *State) { s.nextStyle() }},
		{"offer-on", []string{"o"}, "o other", "next map offered", func(s *State) { s.toOffer(1) }},
		{"offer-back", []string{"O"}, "", "map offered before", func(s *State) { s.toOffer(-1) }},
		{"keep", []string{"k"}, "k keep", "keep the chosen map", func(s *State) { s.keepMap() }},
		{"tap", []string{"t"}, "t tap", "tap while it plays", func(s *State) { s.tap() }},
		{"untap", []string{"T"}, "", "forget all taps", func(s *State) { s.wish(Wish{Do: DoUntap}) }},
		{"pin", []string{"p"}, "p pin", "pin the beat here, or not", func(s *State) { s.wish(Wish{Do: DoPin, Frame: s.Frame}) }},
		{"metre", []string{"m"}, "m metre", "metre of the bar, or bars", func(s *State) { s.askBars("metre", "such as 3/4") }},
		{"tempo", []string{"n"}, "n tempo", "tempo of the bar, or bars", func(s *State) { s.askBars("tempo", "beats a minute") }},
		{"bar-in", []string{"i"}, "", "put a bar in before this", func(s *State) { s.bars("insert", "") }},
		{"bar-out", []string{"e"}, "", "take the bar, or bars, out", func(s *State) { s.bars("delete", "") }},
		{"hold", []string{"w"}, "w hold", "hold the beat for frames", func(s *State) { s.askHold() }},
		{"click", []string{"d"}, "d click", "hear the click, or not", func(s *State) { s.toggle(&s.Click, "with the click", "without the click") }},
	}
}

// theBars are the numbers of the chosen bars, else of the one in the gate.
func (s *State) theBars() (from, to int64, ok bool) {
	a, b := s.sheet.barAt(s.Frame), s.sheet.barAt(s.Frame)
	if s.pick.on {
		a, b = s.pick.from, s.pick.to
	}
	if a < 0 || b >= len(s.sheet.Bars) {
		s.News = "there is no bar here"
		return 0, 0, false
	}
	return int64(s.sheet.Bars[a].Number), int64(s.sheet.Bars[b].Number), true
}

func (s *State) bars(what, text string) {
	if from, to, ok := s.theBars(); ok {
		s.wish(Wish{Do: DoBars, Name: what, Frame: from, Other: to, Text: text})
	}
}

// askBars asks for what bars are to have.
func (s *State) askBars(what, hint string) {
	from, to, ok := s.theBars()
	if !ok {
		return
	}
	of := fmt.Sprintf("%s of bar %d, %s", what, from, hint)
	if to > from {
		of = fmt.Sprintf("%s of bars %d to %d, %s", what, from, to, hint)
	}
	s.ask(of, "", func(s *State, text string) {
		s.wish(Wish{Do: DoBars, Name: what, Frame: from, Other: to, Text: text})
	})
}

func (s *State) askHold() {
	if len(s.sheet.Bars) == 0 {
		s.News = "there is no bar here"
		return
	}
	frame := s.Frame
	s.ask("hold the beat here for so many frames, 0 lets it go", "", func(s *State, text string) {
		s.wish(Wish{Do: DoHold, Frame: frame, Text: text})
	})
}

func singKeys() []binding {
	return []binding{
		{"take", []string{"enter"}, "enter SING", "count in, record a take", func(s *State) { s.sing() }},
		{"take-on", []string{"o"}, "o take", "next take", func(s *State) { s.toTake(1) }},
		{"take-back", []string{"O"}, "", "take before", func(s *State) { s.toTake(-1) }},
		{"use", []string{"k"}, "k use it", "use the chosen take", func(s *State) { s.useTake() }},
		{"comp", []string{"p"}, "p patch", "use it in the chosen bars", func(s *State) { s.compTake() }},
		{"star", []string{"*"}, "* star", "one star more, or none", func(s *State) { s.starTake() }},
		{"click", []string{"d"}, "d click", "hear the click, or not", func(s *State) { s.toggle(&s.Click, "with the click", "without the click") }},
		{"guide", []string{"g"}, "g guide", "hear the part, or not", func(s *State) { s.toggle(&s.Guide, "with the part as a guide", "without a guide") }},
		{"others", []string{"y"}, "y others", "hear other layers, or not", func(s *State) { s.toggle(&s.Others, "with the other layers", "without the other layers") }},
		{"new-layer", []string{"n"}, "", "a new layer", func(s *State) { s.newLayer() }},
	}
}

func checkKeys() []binding {
	return []binding{
		{"worst-on", []string{"w"}, "w worst", "worst finding, then next", func(s *State) { s.toWorst(1) }},
		{"worst-back", []string{"W"}, "", "finding before", func(s *State) { s.toWorst(-1) }},
		{"again", []string{"enter"}, "enter sing it again", "sing its bars again", func(s *State) { s.singAgain() }},
		{"all", []string{"y"}, "y all layers", "list of all, or of one", func(s *State) { s.Worst = -1; s.toggle(&s.all, "the list of all layers", "the list of this layer") }},
		{"mend", []string{"m"}, "m mend", "mend its pitch and time", func(s *State) { s.grouped = false; s.openDials(false) }},
		{"listen", []string{"j"}, "j listen", "listen to all anew", func(s *State) { s.wish(Wish{Do: DoCheck}) }},
		{"guide", []string{"g"}, "g guide", "hear the part, or not", func(s *State) { s.toggle(&s.Guide, "with the part as a guide", "without a guide") }},
	}
}

func bounceKeys() []binding {
	return []binding{
		{"write", []string{"enter"}, "enter bounce", "write the stem", func(s *State) { s.bounce() }},
		{"open-need", []string{"w"}, "w what is open", "go to what is open, then next", func(s *State) { s.toNeed() }},
		{"bits", []string{"o"}, "o bits", "24 bits, 16 or 32", func(s *State) { s.Bits = map[int]int{24: 16, 16: 32, 32: 24}[s.Bits] }},
		{"target", []string{"y"}, "y loudness", "as mixed, or to loudness", func(s *State) { s.Target = (s.Target + 1) % len(targets()) }},
		{"stems", []string{"g"}, "g groups", "group stems too, or not", func(s *State) { s.toggle(&s.Stems, "a stem for each group too", "one stem") }},
	}
}

func (s *State) toggle(b *bool, on, off string) {
	*b = !*b
	s.News = off
	if *b {
		s.News = on
	}
}

func (s *State) volumeBy(db float64) {
	s.VolumeDB = max(-60, min(0, s.VolumeDB+db))
	s.News = fmt.Sprintf("headphones at %.0f dB from the next start on", s.VolumeDB)
}

// stop stops what runs; without a run it closes what is open.
func (s *State) stop() {
	switch {
	case s.run.busy():
		s.run.stopping, s.next = true, nil
		s.News = "stopping"
	case s.dial.open:
		s.dial.open = false
	case s.pick.on:
		s.pick = picked{}
	}
}

// playOrStop is the one key of the transport.
func (s *State) playOrStop() {
	if s.run.moving() {
		s.stop()
		return
	}
	s.wish(s.playWish())
}

// playWish plays the chosen bars, else from the gate to the end.
func (s *State) playWish() Wish {
	w := Wish{Do: DoPlay, From: s.sheet.sampleOf(s.Frame), To: s.sheet.lastSample(), Loop: s.Loop, Hear: s.hearing()}
	if from, to, ok := s.pickSamples(); ok {
		w.From, w.To = from, to
	}
	if s.Frame >= s.sheet.Frames-1 {
		w.From = 0
	}
	return w
}

// hearing is what a stage plays.
func (s *State) hearing() Hear {
	h := Hear{VolumeDB: s.VolumeDB}
	v := s.voice()
	sung := func(but int) (out []string) {
		for i := range s.sheet.layers {
			if l := &s.sheet.layers[i]; i != but && l.Sung && !l.Muted {
				out = append(out, l.Name)
			}
		}
		return out
	}
	switch s.Stage {
	case Spot:
		h.Reference = true
	case Map:
		h.Reference, h.Click = true, s.Click && len(s.sheet.Bars) > 0
	case Mix, Bounce:
		h.Mix = len(sung(-1)) > 0
		if s.Stage == Mix && s.alone && v != nil && v.Sung && !v.Muted {
			h.Alone = v.Name
		}
	default:
		h.Click = s.Stage == Sing && s.Click
		if v != nil && v.Sung {
			h.Layers = append(h.Layers, v.Name)
		}
		if s.Others {
			h.Layers = append(h.Layers, sung(s.Layer)...)
		}
		if s.Guide && v != nil && len(v.Notes) > 0 {
			h.Guide = v.Name
		}
	}
	h.Reference = h.Reference && s.sheet.Sound
	return h
}

// nameHere asks for the name of the hit in the gate, else of the shot.
func (s *State) nameHere() {
	frame := s.Frame
	if i := s.sheet.hitFrom(frame); i < len(s.sheet.Hits) && s.sheet.Hits[i].Frame == frame {
		s.ask("name of the hit", s.sheet.Hits[i].Name, func(s *State, text string) { s.wish(Wish{Do: DoNameHit, Frame: frame, Name: text}) })
		return
	}
	i := s.sheet.shotAt(frame)
	if i < 0 || s.sheet.shots[i].Gone {
		s.News = "there is no shot here to name"
		return
	}
	s.ask(fmt.Sprintf("name of shot %d", s.sheet.shots[i].Number), s.sheet.shots[i].Name,
		func(s *State, text string) { s.wish(Wish{Do: DoNameShot, Frame: frame, Name: text}) })
}

// moveCut moves the cut in the gate; the gate goes with it.
func (s *State) moveCut(by int64) {
	i := s.sheet.cutFrom(s.Frame)
	if i >= len(s.sheet.Cuts) || s.sheet.Cuts[i].Frame != s.Frame {
		s.News = "no cut begins on this frame: go to one with c"
		return
	}
	from := s.Frame
	s.wish(Wish{Do: DoMoveCut, Frame: from, Other: from + by})
	s.Frame += by
}

// targets are the loudnesses a bounce can be brought to, LUFS; 0 is as mixed.
// -23 is EBU R 128, -14 and -16 are common practice on the net.
func targets() []float64 { return []float64{0, -23, -16, -14} }

func (s *State) bounce() {
	if s.sheet.sung == 0 {
		s.News = "nothing is sung yet, so there is nothing to bounce"
		return
	}
	s.wish(Wish{Do: DoBounce, Bits: s.Bits, Target: targets()[s.Target], Stems: s.Stems})
}

// pickNumbers chooses bars by their numbers, those of them that there are.
func (s *State) pickNumbers(from, to int) {
	for i, b := range s.sheet.Bars {
		if b.Number == from {
			s.pick.from, s.pick.to = i, i
		}
		if b.Number > from && b.Number <= to {
			s.pick.to = i
		}
	}
}

// singAgain goes to Sing with the bars of the chosen finding, or of the worst.
func (s *State) singAgain() {
	v := s.voice()
	if v == nil || s.all && len(s.sheet.Fixes) == 0 || !s.all && len(v.worst) == 0 {
		s.News = "nothing to mend here"
		return
	}
	if s.Worst < 0 {
		s.toWorst(1)
		v = s.voice()
	}
	bar := s.sheet.barAt(s.Frame)
	if bar < 0 {
		s.News = "there are no bars here to sing again"
		return
	}
	s.pick = picked{on: true, from: bar, to: bar}
	if s.all {
		s.pickNumbers(s.sheet.Fixes[s.Worst].FromBar, s.sheet.Fixes[s.Worst].ToBar)
	}
	if s.run.busy() {
		s.stop()
	}
	s.Stage = Sing
	s.News = s.pickWords() + " of " + v.Name + ": enter counts in and records"
}
