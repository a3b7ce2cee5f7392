package tui

import (
	"fmt"
	"math"
)

// Columns of a strip, from its beginning.
const (
	stripFader = 9 // "-12.0 dB"
	stripPan   = 11
)

// stripRow is a row of the mix: a layer, or, where layer is -1, a group.
type stripRow struct {
	layer int
	group *Group
}

// stripRows are the layers as they stand in the choir, each group below its own.
func (v *view) stripRows() (rows []stripRow, chosen int) {
	ls := v.sheet.layers
	for i := range ls {
		if i == v.Layer && !v.grouped {
			chosen = len(rows)
		}
		rows = append(rows, stripRow{layer: i})
		if g := v.sheet.group(ls[i].Group); g != nil && (i+1 == len(ls) || ls[i+1].Group != ls[i].Group) {
			if v.grouped && v.Layer < len(ls) && ls[v.Layer].Group == g.Name {
				chosen = len(rows)
			}
			rows = append(rows, stripRow{layer: -1, group: g})
		}
	}
	return rows, chosen
}

// strips are the layers and groups: each with its fader, its place between left
// and right, and its level where the gate is.
func (v *view) strips() {
	b := v.layout.body
	n := b.rows - 1
	if len(v.sheet.layers) == 0 {
		v.text(v.x(0), b.at, v.W-v.x(0), "no layers yet", InkQuiet)
		return
	}
	rows, chosen := v.stripRows()
	top := max(0, min(chosen-(n-1)/2, len(rows)-n))
	for row := 0; row < n && top+row < len(rows); row++ {
		r, y := rows[top+row], b.at+row
		if r.group != nil {
			v.groupStrip(r.group, top+row == chosen, y)
			continue
		}
		v.voiceName(r.layer, y, row == 0)
		v.layerStrip(&v.sheet.layers[r.layer], y)
	}
	v.sum(b.end() - 1)
}

// groupStrip is the row of a group: its fader and its level.
func (v *view) groupStrip(g *Group, chosen bool, y int) {
	ink := InkTitle
	if chosen {
		v.put(0, y, v.glyphs.chosen, InkKey)
		ink = InkChosen
	}
	v.name(y, g.Name+", all", ink)
	x := v.x(0)
	v.fader(x, y, g.GainDB, g.Moves, InkPlain)
	x += stripFader + stripPan
	if g.Muted {
		v.text(x, y, v.W-x, "left out", InkMuted)
		return
	}
	v.heldMeter(x, y, v.W-9-x, v.groupLevelOf(g.Name))
}

// fader is where a fader stands; behind it, where it moves, how far it has gone.
func (v *view) fader(x, y int, db float64, moves []Move, ink Ink) {
	v.right(x+stripFader-1, y, stripFader-1, fmt.Sprintf("%.1f dB", db), ink)
	if len(moves) > 0 {
		v.text(x+stripFader+stripPan-2, y, 1, string(v.glyphs.moves), InkBar)
	}
}

func (v *view) layerStrip(voice *voice, y int) {
	x := v.x(0)
	ink := InkPlain
	if voice.Muted {
		ink = InkMuted
	}
	v.pan(x+stripFader, y, voice.Pan, ink)
	v.fader(x, y, voice.GainDB, voice.Moves, ink)
	x += stripFader + stripPan
	end := v.W - 9
	switch {
	case voice.Muted:
		v.text(x, y, v.W-x, "left out", InkMuted)
		return
	case !voice.Sung:
		v.text(x, y, v.W-x, "not sung yet", InkUnsung)
		return
	}
	v.heldMeter(x, y, end-x, v.levelOf(voice))
}

// heldMeter is the level where the gate is, and the largest of the last moments.
func (v *view) heldMeter(x, y, width int, level func(frame int64) float64) {
	held := v.heldOf(level, v.Frame)
	v.meter(x, y, width, level(v.Frame), held)
	v.right(v.W-1, y, 8, levelShort(held), InkQuiet)
}

// pan is a short line from left to right with a mark where the layer stands.
func (v *view) pan(x, y int, pan float64, ink Ink) {
	const width = stripPan - 2
	for i := range width {
		v.put(x+i, y, v.glyphs.rule, InkQuiet)
	}
	v.put(x+int(math.Round((pan+1)/2*(width-1))), y, v.glyphs.fader, ink)
}

func levelShort(db float64) string {
	if db <= meterFloorDB {
		return ""
	}
	return fmt.Sprintf("%.0f", db)
}

// sum is the level and the loudness of the mix where the gate is.
func (v *view) sum(y int) {
	v.name(y, "all together", InkTitle)
	x := v.x(0)
	m := v.State.mix
	if m == nil || v.Frame >= int64(len(m.Peak)) {
		v.text(x, y, v.W-x, "not measured yet: j measures the mix", InkQuiet)
		return
	}
	now := "    -inf LUFS"
	if l := float64(m.Momentary[v.Frame]); !math.IsInf(l, -1) {
		now = fmt.Sprintf("%8.1f LUFS", l)
	}
	x = v.text(x, y, v.W-x, now, InkPlain) + 2
	held := float64(meterFloorDB)
	for f := max(0, v.Frame-int64(holdSeconds*float64(v.sheet.Rate.Nominal()))); f <= v.Frame; f++ {
		held = max(held, dbOf(float64(m.Peak[f])))
	}
	words := fmt.Sprintf("all %.1f LUFS, peak %.1f dBTP", m.LUFS, m.PeakDBTP)
	if v.mixStale {
		words = "changed since: j measures"
	}
	x = max(x, v.x(stripFader+stripPan))
	end := v.W - len(words) - 2
	v.meter(x, y, end-x-1, dbOf(float64(m.Peak[v.Frame])), held)
	v.text(end+1, y, v.W-end-1, words, InkQuiet)
}
