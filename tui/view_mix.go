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

// strips are the layers standing as in the choir: each with its fader, its
// place between left and right, and its level where the gate is.
func (v *view) strips() {
	b := v.layout.body
	rows := b.rows - 1
	if len(v.sheet.layers) == 0 {
		v.text(v.x(0), b.at, v.W-v.x(0), "no layers yet", InkQuiet)
		return
	}
	top := max(0, min(v.Layer-(rows-1)/2, len(v.sheet.layers)-rows))
	for row := 0; row < rows && top+row < len(v.sheet.layers); row++ {
		i, y := top+row, b.at+row
		v.voiceName(i, y, row == 0)
		v.layerStrip(&v.sheet.layers[i], y)
	}
	v.sum(b.end() - 1)
}

func (v *view) layerStrip(voice *voice, y int) {
	x := v.x(0)
	ink := InkPlain
	if voice.Muted {
		ink = InkMuted
	}
	v.right(x+stripFader-1, y, stripFader-1, fmt.Sprintf("%.1f dB", voice.GainDB), ink)
	v.pan(x+stripFader, y, voice.Pan, ink)
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
	held := v.heldOf(voice, v.Frame)
	v.meter(x, y, end-x, voice.meterOf(v.Frame), held)
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
