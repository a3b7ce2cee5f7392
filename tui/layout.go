package tui

// band is some rows of the screen; none when rows is 0.
type band struct{ at, rows int }

func (b band) has(y int) bool { return y >= b.at && y < b.at+b.rows }
func (b band) end() int       { return b.at + b.rows }

// layout is where everything stands, from the top down. What a stage has not is
// a band without rows.
type layout struct {
	gutter int  // columns left of the film, for names
	beside bool // what is in the gate and what is worst stand side by side

	title, reel, hits, upper, film, lower, bars, tempo, wave, choir, ladder, body, gate, worst, keys band
}

// besideFrom is the width from which the foot is in two halves.
const besideFrom = 132

// gutterFor is the width of the names beside the film.
func gutterFor(w int) int {
	switch {
	case w >= besideFrom:
		return 30
	case w >= 60:
		return 17
	case w >= 36:
		return 10
	}
	return 0
}

// grant asks for one row more for a band, up to most in all.
type grant struct {
	band *band
	most int
}

// giver shares rows out.
type giver struct{ left int }

// give grants each what it asks for, one row at most, and reports whether any
// was granted.
func (g *giver) give(grants ...grant) (given bool) {
	for _, x := range grants {
		if g.left > 0 && x.band.rows < x.most {
			x.band.rows++
			g.left--
			given = true
		}
	}
	return given
}

// layout shares the rows out: first what a small screen needs, then round by
// round to what gains by more.
func (s *State) layout() layout {
	l := layout{gutter: gutterFor(s.Width), beside: s.Stage == Check && s.Width >= besideFrom}
	g := &giver{left: s.Height}
	first := &l.body
	if s.Stage == Check {
		first = &l.choir
	}
	g.give(grant{&l.title, 1}, grant{&l.gate, 1}, grant{&l.film, 1}, grant{first, 1}, grant{&l.keys, 1},
		grant{&l.hits, 1}, grant{&l.bars, 1}, grant{&l.upper, 1}, grant{&l.lower, 1}, grant{&l.reel, 1})
	switch s.Stage {
	case Check:
		s.layoutCheck(&l, g)
	case Spot:
		g.give(grant{&l.wave, 1}, grant{&l.keys, 2}, grant{&l.gate, 2})
		for g.give(grant{&l.body, 10}) {
		}
		for g.give(grant{&l.wave, 4}, grant{&l.hits, 2}, grant{&l.film, 3}, grant{&l.body, 20}, grant{&l.gate, 3}) {
		}
	case Sing:
		g.give(grant{&l.keys, 2}, grant{&l.gate, 2}, grant{&l.tempo, 1})
		for g.give(grant{&l.body, 7}, grant{&l.ladder, 5}) {
		}
		rungs := 5
		if v := s.voice(); v != nil {
			rungs = max(5, min(v.high-v.low+1, 18))
		}
		for g.give(grant{&l.ladder, rungs}, grant{&l.body, 18}) {
		}
	default:
		g.give(grant{&l.keys, 2}, grant{&l.tempo, 1}, grant{&l.gate, 2})
	}
	for s.Stage != Check && g.give(grant{&l.body, s.Height}) {
	}
	l.stack(s.Height)
	return l
}

// layoutCheck gives most to the voices and to what has to be mended.
func (s *State) layoutCheck(l *layout, g *giver) {
	voices, rungs, worst := len(s.sheet.layers), 3, 3
	if v := s.voice(); v != nil {
		rungs = max(3, min(v.high-v.low+1, 24))
		worst = max(3, min(len(v.worst), 12))
	}
	foot := []grant{{&l.gate, 2}, {&l.worst, 3}}
	if l.beside {
		foot = []grant{{&l.gate, 3}}
		worst = 0
	}
	g.give(grant{&l.keys, 2})
	g.give(foot...)
	g.give(grant{&l.choir, max(1, min(voices, 2))}, grant{&l.tempo, 1})
	for g.give(foot...) {
	}
	for g.give(grant{&l.ladder, min(rungs, 5)}, grant{&l.choir, max(1, min(voices, 4))}) {
	}
	for g.give(grant{&l.choir, max(1, min(voices, 12))}, grant{&l.ladder, min(rungs, 9)}, grant{&l.worst, worst},
		grant{&l.film, 2}) {
	}
	for g.give(grant{&l.hits, 2}, grant{&l.reel, 2}, grant{&l.film, 4}, grant{&l.gate, gateMost(l.beside)},
		grant{&l.choir, voices}, grant{&l.ladder, rungs}) {
	}
	for g.give(grant{&l.gate, footMost(l.beside)}, grant{&l.film, 6}) {
	}
}

// footMost is how far the foot goes on growing when all else has enough.
func footMost(beside bool) int {
	if beside {
		return 12
	}
	return 3
}

// gateMost is how many rows the foot grows to.
func gateMost(beside bool) int {
	if beside {
		return gateLinesFull
	}
	return 3
}

// stack sets the bands one below the other; the foot stands at the bottom.
func (l *layout) stack(height int) {
	y := 0
	for _, b := range []*band{&l.title, &l.reel, &l.hits, &l.upper, &l.film, &l.lower, &l.bars, &l.tempo, &l.wave, &l.choir, &l.ladder, &l.body} {
		b.at = y
		y += b.rows
	}
	l.keys.at = height - l.keys.rows
	if l.beside {
		l.gate.at = l.keys.at - l.gate.rows
		l.worst = l.gate
		return
	}
	l.worst.at = l.keys.at - l.worst.rows
	l.gate.at = l.worst.at - l.gate.rows
}

// choirTop is the first layer shown, such that the chosen one is in sight.
func (s *State) choirTop(l layout) int {
	return max(0, min(s.Layer-l.choir.rows/2, len(s.sheet.layers)-l.choir.rows))
}
