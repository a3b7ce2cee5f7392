package tui

import (
	"fmt"
	"math"
	"sort"
)

func mixKeys() []binding {
	return []binding{
		{"up", []string{"."}, ". louder", "a dB louder", func(s *State) { s.fader(1) }},
		{"down", []string{","}, ", quieter", "a dB quieter", func(s *State) { s.fader(-1) }},
		{"pan-left", []string{"<"}, "< left", "the layer to the left", func(s *State) { s.strip(Wish{Do: DoPan, By: -0.1}) }},
		{"pan-right", []string{">"}, "> right", "the layer to the right", func(s *State) { s.strip(Wish{Do: DoPan, By: 0.1}) }},
		{"mute", []string{"m"}, "m out", "leave it out, or take it in", func(s *State) { s.strip(Wish{Do: DoMute}) }},
		{"group", []string{"g"}, "g group", "work on its group, or on it", func(s *State) { s.wholeGroup() }},
		{"dials", []string{"enter"}, "enter its sound", "set what is done to its sound", func(s *State) { s.openDials(false) }},
		{"dials-whole", []string{"w"}, "w whole", "set what is done to the mix", func(s *State) { s.openDials(true) }},
		{"ride", []string{"r"}, "r ride", "ride the fader as it plays", func(s *State) { s.toggle(&s.riding, "riding: space plays, . and , move the fader", "the faders stand") }},
		{"alone", []string{"y"}, "y alone", "hear it alone, or all", func(s *State) { s.toggle(&s.alone, "alone", "all layers") }},
		{"measure", []string{"j"}, "j measure", "measure the mix", func(s *State) { s.wish(Wish{Do: DoMeasure}) }},
	}
}

// wholeGroup has the keys work on the group of the chosen layer.
func (s *State) wholeGroup() {
	if v := s.voice(); v == nil || v.Group == "" {
		s.News = "this layer is in no group: cuechoir layer set puts it in one"
		return
	}
	s.toggle(&s.grouped, "the keys work on the whole group", "the keys work on the layer")
}

// strip wishes for something of the chosen layer, or of its group.
func (s *State) strip(w Wish) {
	v := s.voice()
	if v == nil {
		s.News = "this score has no layers yet"
		return
	}
	w.Layer = v.Name
	if g := s.chosenGroup(); g != nil {
		if w.Do == DoPan {
			s.News = "a group has no place between left and right: its layers have"
			return
		}
		w.Layer, w.Group = "", g.Name
	}
	s.wish(w)
}

// chosenGroup is the group that the keys work on, nil when it is a layer.
func (s *State) chosenGroup() *Group {
	v := s.voice()
	if !s.grouped || v == nil {
		return nil
	}
	return s.sheet.group(v.Group)
}

func (s *sheet) group(name string) *Group {
	for i := range s.Groups {
		if name != "" && s.Groups[i].Name == name {
			return &s.Groups[i]
		}
	}
	return nil
}

// fader moves the fader; while it is ridden, from the moment that sounds on.
func (s *State) fader(by float64) {
	if !s.riding || s.run.wish.Do != DoPlay {
		s.strip(Wish{Do: DoFader, By: by})
		return
	}
	v, at := s.voice(), s.run.told.At
	if v == nil {
		return
	}
	moves, name, group := v.Moves, v.Name, ""
	if g := s.chosenGroup(); g != nil {
		moves, name, group = g.Moves, g.Name, g.Name
	}
	r := s.ride
	if r == nil || r.name != name || r.group != group {
		s.endRide()
		r = &ride{name: name, group: group, from: at, db: faderAt(moves, at)}
	}
	if n := len(r.moves); at < r.from || n > 0 && at <= r.moves[n-1].At {
		return
	}
	next := *r
	next.db = max(-120, min(24, r.db+by))
	next.moves = append(next.moves[:len(next.moves):len(next.moves)], Move{At: at, DB: next.db})
	s.ride = &next
	s.News = fmt.Sprintf("%s rides at %+.0f dB", name, next.db)
}

// ride is a fader as it is ridden.
type ride struct {
	name, group string
	from        int64 // sample
	db          float64
	moves       []Move
}

// endRide has what was ridden written down. It ends where the playing does.
func (s *State) endRide() {
	r := s.ride
	if s.ride = nil; r == nil || len(r.moves) == 0 {
		return
	}
	w := Wish{Do: DoRide, Layer: r.name, From: r.from, To: max(s.run.told.At, r.moves[len(r.moves)-1].At), Moves: r.moves}
	if r.group != "" {
		w.Layer, w.Group = "", r.group
	}
	s.wishes = append(s.wishes, w)
}

// faderAt is where moves have a fader, in dB beside its own.
func faderAt(moves []Move, at int64) float64 {
	i := sort.Search(len(moves), func(i int) bool { return moves[i].At >= at })
	switch {
	case len(moves) == 0:
		return 0
	case i == 0:
		return moves[0].DB
	case i == len(moves):
		return moves[i-1].DB
	}
	a, b := moves[i-1], moves[i]
	return a.DB + (b.DB-a.DB)*float64(at-a.At)/float64(b.At-a.At)
}

// meterOf is a layer's level in a frame behind its fader and its group's, in
// dBFS. What stands between (its colour and its chain) is not in it.
func (s *State) meterOf(v *voice, frame int64) float64 {
	g := s.sheet.group(v.Group)
	if v.Muted || g != nil && g.Muted || frame < 0 || frame >= int64(len(v.Levels)) {
		return meterFloorDB
	}
	at := s.sheet.sampleOf(frame)
	db := v.GainDB + faderAt(v.Moves, at)
	if g != nil {
		db += g.GainDB + faderAt(g.Moves, at)
	}
	return dbOf(float64(v.Levels[frame]) * math.Pow(10, db/20))
}

// heldOf is the largest of the last frames within holdSeconds.
func (s *State) heldOf(level func(frame int64) float64, frame int64) float64 {
	held := float64(meterFloorDB)
	for f := max(0, frame-int64(holdSeconds*float64(s.sheet.Rate.Nominal()))); f <= frame; f++ {
		held = max(held, level(f))
	}
	return held
}

// levelOf is a layer's level by frame: as it is heard in the mix, where that has
// been measured since the last change, else its sung sound behind its faders.
func (s *State) levelOf(v *voice) func(frame int64) float64 {
	if m := s.mix; m != nil && !s.mixStale {
		if peaks, ok := m.Layers[v.Name]; ok {
			return func(frame int64) float64 { return peakAt(peaks, frame) }
		}
	}
	return func(frame int64) float64 { return s.meterOf(v, frame) }
}

// groupLevelOf is the same of a group; unmeasured it is its loudest layer.
func (s *State) groupLevelOf(name string) func(frame int64) float64 {
	if m := s.mix; m != nil && !s.mixStale {
		return func(frame int64) float64 { return peakAt(m.Groups[name], frame) }
	}
	return func(frame int64) float64 {
		db := float64(meterFloorDB)
		for i := range s.sheet.layers {
			if v := &s.sheet.layers[i]; v.Group == name {
				db = max(db, s.meterOf(v, frame))
			}
		}
		return db
	}
}

func peakAt(peaks []float32, frame int64) float64 {
	if frame < 0 || frame >= int64(len(peaks)) {
		return meterFloorDB
	}
	return dbOf(float64(peaks[frame]))
}
