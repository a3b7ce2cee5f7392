package tui

// hits stand over the film, each with its name; with a second row, where it
// lands and by how much it is off.
func (v *view) hits() {
	b := v.layout.hits
	if b.rows == 0 {
		return
	}
	v.name(b.at, "hits", InkQuiet)
	s, w := v.sheet, &v.window
	from, _ := w.frames(0)
	for i := s.hitFrom(from); i < len(s.Hits); {
		col := int(min(w.column(s.Hits[i].Frame), int64(w.cols)))
		if col >= w.cols {
			return
		}
		// Of hits that share a column a must-hit is shown.
		_, end := w.frames(col)
		next := s.hitFrom(max(end, s.Hits[i].Frame+1))
		shown := i
		for k := i; k < next && !s.Hits[shown].Must; k++ {
			shown = k
		}
		room := w.cols - col
		if next < len(s.Hits) {
			room = int(min(int64(room), w.column(s.Hits[next].Frame)-int64(col)-1))
		}
		v.hit(s.Hits[shown], col, room)
		i = next
	}
}

func (v *view) hit(h Hit, col, room int) {
	y, g := v.layout.hits.at, v.glyphs
	mark, ink := g.want, InkWant
	if h.Must {
		mark, ink = g.must, InkMust
	}
	v.put(v.x(col), y, mark, ink)
	x := v.x(col) + 1
	end := v.x(col) + room
	if h.Place != "" && !h.Caught && x < end {
		v.put(x, y, g.missed, InkFinding)
		x++
	}
	v.text(x, y, end-x, h.Name, ink)
	if v.layout.hits.rows > 1 && h.Place != "" {
		v.text(v.x(col), y+1, room, h.Place+" "+signedFrames(h), InkQuiet)
	}
}

// signedFrames is how far a hit's landing is off, "+" when it comes late.
func signedFrames(h Hit) string {
	switch h.Error.Sign() {
	case 0:
		return "0"
	case 1:
		return "+" + framesText(h.Error) + "f"
	}
	return "-" + framesText(h.Error) + "f"
}

// strip is the film: its edge with holes and time code, the shots, and its
// other edge with frame numbers.
func (v *view) strip() {
	v.edge(v.layout.upper, "timecode", v.sheet.timecode)
	v.edge(v.layout.lower, "frames", itoa)
	b := v.layout.film
	for row := range b.rows {
		for col := range v.window.cols {
			v.filmCell(col, b.at+row)
		}
	}
	if b.rows == 0 || v.sheet.Frames == 0 {
		return
	}
	if b.rows > 1 {
		v.name(b.at+1, "lengths", InkQuiet)
	}
	v.name(b.at, "shots", InkQuiet)
	v.shotNames(b)
}

// edge is one edge of the film. Its numbers stand on whole seconds, or frames,
// far enough apart to be read.
func (v *view) edge(b band, name string, number func(int64) string) {
	if b.rows == 0 {
		return
	}
	v.name(b.at, name, InkQuiet)
	w := &v.window
	for col := range w.cols {
		f := w.frameAt(col)
		switch {
		case f < 0 || f >= v.sheet.Frames:
			v.put(v.x(col), b.at, ' ', InkPlain)
		case (w.left+int64(col))&1 == 0:
			v.put(v.x(col), b.at, v.glyphs.perf, InkEdge)
		default:
			v.put(v.x(col), b.at, ' ', InkEdge)
		}
	}
	step := v.edgeStep(len(v.sheet.timecode(0)) + 5)
	from, _ := w.frames(0)
	from = max(0, from)
	for f := (from + step - 1) / step * step; f < v.sheet.Frames; f += step {
		col := w.column(f)
		if col >= int64(w.cols) {
			return
		}
		last := int(min(int64(w.cols), w.column(v.sheet.Frames)))
		v.text(v.x(int(col)), b.at, last-int(col), number(f), InkEdge)
	}
}

// edgeStep is the least step of frames whose numbers, so many columns wide,
// do not touch.
func (v *view) edgeStep(columns int) int64 {
	second := v.sheet.Rate.Nominal()
	for _, step := range []int64{1, 2, 4, 8, second / 2, second, 2 * second, 5 * second, 10 * second, 15 * second,
		30 * second, 60 * second, 120 * second, 300 * second, 600 * second, 1800 * second, 3600 * second} {
		if step > 0 && v.window.cellOf(step) >= int64(columns) {
			return step
		}
	}
	step := 2 * 3600 * second
	for v.window.cellOf(step) < int64(columns) {
		step *= 2
	}
	return step
}

// filmCell draws what one column shows of the picture.
func (v *view) filmCell(col, y int) {
	w, g := &v.window, v.glyphs
	from, end := w.frames(col)
	shown := w.frameAt(col)
	shot := v.sheet.shotAt(shown)
	if shot < 0 {
		v.put(v.x(col), y, v.leaderRune(from, end, y), InkLeader)
		return
	}
	ink := InkFilm
	if v.sheet.shots[shot].Number%2 == 0 {
		ink = InkFilmAlt
	}
	r := ' '
	if w.zoom < -1 && from < end {
		r = g.frameLine
	}
	if v.sheet.shots[shot].Gone {
		r, ink = g.gone, InkLeader
	}
	if k := v.sheet.changeAt(shown); k >= 0 {
		r = v.changeRune(v.sheet.Cuts[k].Kind)
	}
	if k := v.sheet.cutFrom(from); k < len(v.sheet.Cuts) && v.sheet.Cuts[k].Frame < end {
		r = v.changeRune(v.sheet.Cuts[k].Kind)
		// A cell shows its first frame's shot; the cut in it begins the next.
		if last := v.sheet.shotAt(end - 1); last > shot && !v.sheet.shots[last].Gone {
			ink = InkFilm
			if v.sheet.shots[last].Number%2 == 0 {
				ink = InkFilmAlt
			}
		}
	}
	v.put(v.x(col), y, r, ink)
}

func (v *view) changeRune(kind string) rune {
	switch kind {
	case "cut", "":
		return v.glyphs.cut
	case "dissolve":
		return v.glyphs.dissolve
	case "fade-in", "fade-out":
		return v.glyphs.fade
	}
	return v.glyphs.other
}

// leaderRune is the film outside the reference: it counts the seconds down to
// the first frame.
func (v *view) leaderRune(from, end int64, y int) rune {
	second := v.sheet.Rate.Nominal()
	if from < 0 && from < end && y == v.layout.film.at && v.window.cellOf(second) >= 2 {
		k := (-from) / second // the last whole second before the cell's end
		if k >= 1 && k <= 9 && -k*second >= from && -k*second < end {
			return rune('0' + k)
		}
	}
	return v.glyphs.leader
}

// shotNames writes into each shot its number and its length in frames.
func (v *view) shotNames(b band) {
	s, w := v.sheet, &v.window
	first, _ := w.frames(0)
	for i := max(0, s.shotAt(max(0, first))); i < len(s.shots); {
		sh := s.shots[i]
		start := w.column(sh.From)
		if start >= int64(w.cols) {
			return
		}
		end := int(min(int64(w.cols), w.column(sh.End)))
		x := int(max(0, start+1))
		if k := s.changeAt(sh.From); k >= 0 && start >= 0 {
			x = int(max(int64(x), min(int64(w.cols), w.column(s.Cuts[k].End))))
		}
		v.shotName(sh, b, x, end)
		next := i + 1
		if last := w.frameAt(x + 1); next < len(s.shots) && s.shots[next].From < last {
			next = max(next, s.shotAt(min(last, s.Frames-1))) // many shots in a cell
		}
		i = next
	}
}

func (v *view) shotName(sh shot, b band, from, end int) {
	name, length := itoa(int64(sh.Number)), itoa(sh.End-sh.From)+"f"
	if sh.Gone {
		name = "faded"
	}
	room := end - from
	write := func(y int, words string) {
		if len(words) <= room && from >= 0 {
			x := v.x(from)
			v.text(x, y, room, words, v.At(x, y).Ink)
		}
	}
	if b.rows > 1 {
		write(b.at, name)
		write(b.at+1, length)
		return
	}
	if len(name)+1+len(length) <= room {
		name += " " + length
	}
	write(b.at, name)
}

// bars lie under the film: a line a bar with its number, beats where there is
// room, and tempo and metre where they change.
func (v *view) bars() {
	b, t := v.layout.bars, v.layout.tempo
	if b.rows == 0 {
		return
	}
	v.name(b.at, "bars", InkQuiet)
	if t.rows > 0 {
		v.name(t.at, "tempo", InkQuiet)
	}
	if len(v.sheet.Bars) == 0 {
		v.text(v.x(0), b.at, v.window.cols, "no map yet", InkQuiet)
		return
	}
	first, last := v.barsInWindow()
	v.beats(first, last)
	every := v.barEvery()
	free := 0
	for col := range v.window.cols {
		i := v.barInColumn(col)
		if i < 0 {
			continue
		}
		bar := v.sheet.Bars[i]
		if floorMod(bar.Number, every) != 0 {
			continue // too close together for each to be drawn
		}
		v.put(v.x(col), b.at, v.glyphs.barTick, InkBar)
		if words := itoa(int64(bar.Number)); col >= free {
			v.text(v.x(col)+1, b.at, v.window.cols-col-1, words, InkBar)
			free = col + len(words) + 2
		}
	}
	if t.rows > 0 {
		v.tempos(first, last)
	}
}

// barsInWindow are the bars whose lines are in sight, last not among them, with
// the one before them.
func (v *view) barsInWindow() (first, last int) {
	a, b := v.window.frameAt(0), v.window.frameAt(v.window.cols)
	return max(0, v.sheet.barFrom(a+1)-1), v.sheet.barFrom(b)
}

// barInColumn is the first bar whose line stands in a column, or -1.
func (v *view) barInColumn(col int) int {
	from, end := v.window.frames(col)
	if v.window.zoom < 0 {
		// Parts of a frame: by the sample.
		lo, hi := v.window.edges[col], v.window.edges[col+1]
		i := searchBars(v.sheet.Bars, lo)
		if i < len(v.sheet.Bars) && v.sheet.Bars[i].Sample < hi {
			return i
		}
		return -1
	}
	if i := v.sheet.barFrom(from); i < len(v.sheet.Bars) && v.sheet.barsAt[i] < end {
		return i
	}
	return -1
}

// barEvery is how many bars go to a number, so that the numbers do not touch.
func (v *view) barEvery() int {
	first, last := v.barsInWindow()
	if last-first < 2 {
		return 1
	}
	widest := len(itoa(int64(v.sheet.Bars[last-1].Number)))
	span := v.window.cellOf(v.sheet.barsAt[last-1]) - v.window.cellOf(v.sheet.barsAt[first])
	every := 1
	for span*int64(every) < int64((last-1-first)*(widest+2)) && every < 1<<20 {
		every *= 2
	}
	return every
}

// beats are drawn when they stand at least three columns apart.
func (v *view) beats(first, last int) {
	for i := first; i < last; i++ {
		beats := v.sheet.Bars[i].Beats
		if len(beats) < 2 {
			continue
		}
		gap := v.window.columnOfSample(beats[1]) - v.window.columnOfSample(beats[0])
		if inside := v.window.columnOfSample(beats[0]) >= 0; inside && gap < 3 {
			return
		}
		for _, at := range beats[1:] {
			if col := v.window.columnOfSample(at); col >= 0 && col < v.window.cols {
				v.put(v.x(col), v.layout.bars.at, v.glyphs.beatTick, InkBar)
			}
		}
	}
}

func (v *view) tempos(first, last int) {
	free := 0
	for i := first; i < last; i++ {
		bar := v.sheet.Bars[i]
		if i > first && bar.BPM == v.sheet.Bars[i-1].BPM && bar.Metre == v.sheet.Bars[i-1].Metre {
			continue
		}
		col := int(max(0, v.window.column(v.sheet.barsAt[i])))
		if col < free {
			continue
		}
		free = v.text(v.x(col), v.layout.tempo.at, v.window.cols-col, tempoText(bar), InkTempo) - v.layout.gutter + 2
		if free >= v.window.cols {
			return
		}
	}
}

func tempoText(b Bar) string {
	s := trimFloat(b.BPM, 2)
	if b.Metre != "" {
		s += " in " + b.Metre
	}
	return s
}
