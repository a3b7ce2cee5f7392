package tui

import (
	"fmt"
)

// singing is what a singer looks at: the streamer to the next hit, the number
// that is called, the picture, the level, and the stack of takes.
func (v *view) singing() {
	b := v.layout.body
	v.streamer(b.at)
	rows := b.rows - 1
	if rows < 1 {
		return
	}
	y := b.at + 1
	size := max(1, min(3, rows/(2*figureHigh)+1))
	if rows < figureHigh {
		size = 0
	}
	x := v.x(0)
	switch {
	case v.W >= besideFrom: // room for a larger picture, and all else beside it
		x = max(x, v.picture(1, y, v.W/3, rows, v.Frame)+2)
	case v.layout.gutter > 0:
		v.picture(1, y, v.layout.gutter-2, rows, v.Frame)
	}
	if size > 0 {
		v.count(x, y+(rows-figureHigh*size)/2, size)
		x += 2*(figureWide+1)*size + 1
	}
	v.level(x, y)
	v.singWords(x, y+1)
	v.takes(x, y+2, b.end()-y-2)
}

// streamerSeconds is how long before a hit the streamer sets out: two seconds,
// as on film (common practice: three feet of 35 mm, 48 frames at 24).
const streamerSeconds = 2

// flashFrames is how long the flash on a hit stands, in frames from the hit on.
const flashFrames = 3

// streamer is a line that runs from the left to the right and arrives with the
// next hit; on the hit the whole line flashes.
func (v *view) streamer(y int) {
	s := v.sheet
	at := s.sampleOf(v.Frame)
	if v.run.moving() {
		at = v.run.told.At
	}
	if i := s.hitFrom(v.Frame-flashFrames+1) - 1; i+1 < len(s.Hits) && s.Hits[i+1].Frame <= v.Frame && at >= 0 {
		h := s.Hits[i+1]
		for x := v.layout.gutter; x < v.W; x++ {
			v.put(x, y, ' ', InkFlash)
		}
		mark := v.glyphs.want
		if h.Must {
			mark = v.glyphs.must
		}
		v.name(y, "HIT", InkFlash)
		v.text(v.x(2), y, v.W-v.x(2), string(mark)+" "+nameOr(h.Name, "hit"), InkFlash)
		return
	}
	i := s.hitFrom(v.Frame + 1)
	if at < 0 {
		i = s.hitFrom(0)
	}
	if i >= len(s.Hits) {
		v.name(y, "no hit ahead", InkQuiet)
		return
	}
	h := s.Hits[i]
	left, whole := s.sampleOf(h.Frame)-at, int64(streamerSeconds*s.SampleRate)
	cols := v.W - v.layout.gutter
	v.name(y, fmt.Sprintf("hit in %s s", trimFloat(float64(left)/float64(s.SampleRate), 1)), InkQuiet)
	if left > whole {
		v.text(v.x(0), y, cols, nameOr(h.Name, "hit"), InkQuiet)
		return
	}
	head := int(int64(cols-1) * (whole - left) / whole)
	for c := range head {
		v.put(v.x(c), y, v.glyphs.wake, InkMust)
	}
	v.put(v.x(head), y, v.glyphs.runner, InkMust)
	name := nameOr(h.Name, "hit")
	if room := cols - head - 3; room > 4 {
		v.right(v.W-1, y, room, name, InkWant)
	}
}

// count is the number that is called in the count-in, else the beat of the bar
// that sounds.
func (v *view) count(x, y, size int) {
	if n := v.run.told.Count; n > 0 && v.run.wish.Do == DoSing {
		v.figure(x, y, size, min(n, 99), InkMust)
		return
	}
	i := v.sheet.barAt(v.Frame)
	if i < 0 {
		return
	}
	ink := InkTempo
	if v.run.moving() {
		ink = InkSung
	}
	v.figure(x, y, size, max(1, v.beatAt(v.sheet.Bars[i])), ink)
}

// level is the input with its peak held, and whether it was clipped.
func (v *view) level(x, y int) {
	h := v.run.hold
	if !v.run.busy() {
		h = holding{DB: meterFloorDB, PeakDB: meterFloorDB}
	}
	x = v.text(x, y, v.W-x, "in ", InkQuiet)
	end := v.W - 10
	v.meter(x, y, end-x, h.DB, h.PeakDB)
	words, ink := levelText(h.PeakDB), InkPlain
	if h.Clipped {
		words, ink = "CLIPPED", InkHot
	}
	v.text(end+1, y, v.W-end-1, words, ink)
}

// hotDB is where a meter becomes hot: EBU R 68 sets the permitted maximum 9 dB
// below full scale; above it little room is left (from memory).
const hotDB = -9

// meter is a level in dBFS as a filled length, with a mark at its held peak.
func (v *view) meter(x, y, width int, db, held float64) {
	if width < 3 {
		return
	}
	at := func(db float64) int {
		return int(float64(width) * max(0, min(1, 1-db/meterFloorDB)))
	}
	full, peak, hot := at(db), min(width-1, at(held)), at(hotDB)
	for i := range width {
		r, ink := v.glyphs.track, InkQuiet
		if i < full {
			r, ink = v.glyphs.meter, InkLevel
			if i >= hot {
				ink = InkHot
			}
		}
		if i == peak && held > meterFloorDB && i >= full {
			r, ink = v.glyphs.held, InkTrace
		}
		v.put(x+i, y, r, ink)
	}
}

func levelText(db float64) string {
	if db <= meterFloorDB {
		return "silent"
	}
	return fmt.Sprintf("%.0f dBFS", db)
}

// singWords say what is heard and how, and what there is room for.
func (v *view) singWords(x, y int) {
	hears := []string{}
	for _, h := range []struct {
		on   bool
		what string
	}{{v.Click, "click"}, {v.Guide, "guide"}, {v.Others, "others"}} {
		if h.on {
			hears = append(hears, h.what)
		}
	}
	words := "hears " + nameOr(joined(", ", hears...), "nothing") + fmt.Sprintf(" at %.0f dB", v.VolumeDB)
	if v.Loop {
		words += "; over and over"
	}
	if t := v.run.told; t.Room {
		words += "; room for " + spanText(t.SecsLeft)
	} else if v.sheet.Room > 0 {
		words += "; room for " + spanText(v.sheet.Room)
	}
	if n := v.run.told.Dropouts; n > 0 {
		words += fmt.Sprintf("; %d dropouts", n)
	}
	v.text(x, y, v.W-x-1, words, InkQuiet)
}

// spanText is a time in hours or minutes.
func spanText(seconds int64) string {
	switch {
	case seconds >= 100*3600:
		return "days"
	case seconds >= 2*3600:
		return fmt.Sprintf("%d h", seconds/3600)
	case seconds >= 120:
		return fmt.Sprintf("%d min", seconds/60)
	}
	return fmt.Sprintf("%d s", seconds)
}

// takes is the stack of takes of the chosen layer, the newest on top.
func (v *view) takes(x, y, rows int) {
	voice := v.voice()
	if rows < 1 {
		return
	}
	if voice == nil || len(voice.Takes) == 0 {
		v.text(x, y, v.W-x, "no takes yet: enter counts in and records", InkQuiet)
		return
	}
	n := len(voice.Takes)
	first := max(0, min(n-1-v.Take-rows/2, n-rows)) // counted from the newest
	for row := 0; row < rows && first+row < n; row++ {
		v.takeRow(voice, n-1-first-row, x, y+row)
	}
}

func (v *view) takeRow(voice *voice, i, x, y int) {
	t := voice.Takes[i]
	ink, g := InkPlain, v.glyphs
	if i == v.Take {
		v.put(x, y, g.chosen, InkKey)
		ink = InkChosen
	}
	mark := g.unsung
	if t.InUse || t.Comped {
		mark = g.sung
	}
	v.put(x+2, y, mark, InkSung)
	end := v.text(x+4, y, v.W-x-4, "take "+t.ID, ink) + 1
	words := fmt.Sprintf("f%d to %d  %s", v.sheet.nearestFrame(t.From), v.sheet.nearestFrame(t.To), levelText(t.PeakDB))
	switch {
	case t.InUse:
		words = "in use  " + words
	case t.Comped:
		words = "in part  " + words
	case t.Patch:
		words = "patch  " + words
	}
	end = v.text(end+1, y, v.W-end-1, words, InkQuiet)
	for k := range t.Stars {
		v.put(end+1+k, y, g.star, InkTitle)
	}
	if t.Faults > 0 {
		v.text(end+t.Stars+2, y, v.W-end-t.Stars-2, fmt.Sprintf("%d dropouts", t.Faults), InkFinding)
	}
}
