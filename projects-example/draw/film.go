// Package draw makes the pictures of the example: a cardboard-theatre trailer
// for a film that does not exist, "The Lantern of Orrow Deep". Every frame is
// drawn by code from its number alone.
package draw

import (
	"image"
	"math"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// Frames is the film's length.
const Frames = 1500

// Rate is the film's rate; StartTimecode is that of frame 0.
var Rate = timecode.Rate23976

const StartTimecode = "01:00:00:00"

// The places where the picture changes other than by a hard cut.
const (
	fadeInFrom, fadeInEnd     = 12, 36
	dissolveFrom, dissolveEnd = 954, 978
	fadeOutFrom, fadeOutEnd   = 1440, 1476
)

// shot is one picture: it begins at a frame and lasts to the next shot.
type shot struct {
	from  int64
	name  string
	scene func(c *canvas, f float64) // f: frames since the shot began, as drawn
}

// shots is the film, in order.
func shots() []shot {
	return []shot{
		{0, "The light at night", sceneNight},
		{143, "Title: beyond the last chart", sceneFirstTitle},
		{265, "The cutter in the swell", sceneCutter},
		{355, "Captain Quill at the wheel", sceneWheel},
		{444, "Lightning over Orrow Head", sceneLightning},
		{534, "The chart", sceneChart},
		{626, "The door of the tower", sceneDoor},
		{701, "Gulls", sceneGulls},
		{775, "Through the glass", sceneSpyglass},
		{821, "Something rises", sceneArm},
		{865, "The beast", sceneBeast},
		{dissolveFrom, "Ada Marrable", sceneCameo},
		{1044, "The longboat", sceneLongboat},
		{1104, "The clockwork", sceneGears},
		{1164, "The wave", sceneBreaker},
		{1226, "The lamp is lit", sceneLamp},
		{1287, "The beast turns back", sceneRout},
		{1347, "Title: The Lantern of Orrow Deep", sceneLastTitle},
	}
}

// Cuts is every change of picture, exactly.
func Cuts() []cutlist.Cut {
	cuts := []cutlist.Cut{{Frame: fadeInFrom, End: fadeInEnd, Kind: cutlist.FadeIn, Confidence: 1, Name: "The light at night"}}
	for _, s := range shots()[1:] {
		c := cutlist.Cut{Frame: s.from, End: s.from, Kind: cutlist.HardCut, Confidence: 1, Name: s.name}
		if s.from == dissolveFrom {
			c.End, c.Kind = dissolveEnd, cutlist.Dissolve
		}
		cuts = append(cuts, c)
	}
	return append(cuts, cutlist.Cut{Frame: fadeOutFrom, End: fadeOutEnd, Kind: cutlist.FadeOut, Confidence: 1, Name: "End"})
}

// Artist draws frames; it holds the canvas. Not for two goroutines at once.
type Artist struct{ front, back *canvas }

// NewArtist is ready to draw any frame.
func NewArtist() *Artist { return &Artist{front: newCanvas(), back: newCanvas()} }

// Frame draws frame n, 0 to Frames-1.
func (a *Artist) Frame(n int64) *image.Gray {
	list := shots()
	i := len(list) - 1
	for list[i].from > n {
		i--
	}
	a.shoot(a.front, list[i], n)
	if n >= dissolveFrom && n < dissolveEnd {
		a.shoot(a.back, list[i-1], n)
		// the first mixed frame is not the whole old one, and End is the whole new one
		share := float32(n-dissolveFrom+1) / (dissolveEnd - dissolveFrom + 1)
		for k, v := range a.back.pix {
			a.front.pix[k] = v + (a.front.pix[k]-v)*share
		}
	}
	return develop(a.front, n, fade(n))
}

// shoot draws a scene on twos, as puppets are moved: a new pose every second
// frame from the shot's beginning.
func (a *Artist) shoot(c *canvas, s shot, n int64) {
	s.scene(c, float64((n-s.from)/2*2))
}

// fade is the light of the whole picture: 0 black.
func fade(n int64) float64 {
	switch {
	case n < fadeInFrom || n >= fadeOutEnd:
		return 0
	case n < fadeInEnd:
		return float64(n-fadeInFrom+1) / (fadeInEnd - fadeInFrom + 1)
	case n >= fadeOutFrom:
		return float64(fadeOutEnd-n) / (fadeOutEnd - fadeOutFrom + 1)
	}
	return 1
}

// develop is what the old stock and the projector do: weave, flicker, falling
// off to the corners, grain, dust and a scratch.
func develop(c *canvas, n int64, light float64) *image.Gray {
	u := uint64(n)
	weaveX := int(math.Round(0.8 * math.Sin(float64(n)*0.19)))
	weaveY := int(math.Round(0.9 * math.Sin(float64(n)*0.13+1)))
	flicker := 1 + 0.018*hash(u, 5, 5) + 0.012*math.Sin(float64(n)*0.9)
	scratch := -1
	if n/31%5 == 2 { // a scratch comes and goes
		scratch = int(180 + 150*hash(u/31, 6, 6) + math.Round(hash(u, 7, 7)))
	}
	dustX, dustY, dust := 0.0, 0.0, 0.0
	if hash(u, 8, 8) > 0.6 {
		dustX, dustY = Width*(0.5+0.5*hash(u, 9, 9)), Height*(0.5+0.5*hash(u, 10, 10))
		dust = 1.2 + hash(u, 11, 11)
	}
	return c.gray(weaveX, weaveY, func(x, y int, v float64) float64 {
		dx, dy := (float64(x)-Width/2)/(Width/2), (float64(y)-Height/2)/(Height/2)
		v *= 1 - 0.42*math.Pow((dx*dx+dy*dy)/2, 1.5)
		v += 0.016 * hash(uint64(x/2)+uint64(y/2)<<12, u, 12)
		if x == scratch {
			v += 0.06
		}
		if dust > 0 && math.Hypot(float64(x)-dustX, float64(y)-dustY) < dust {
			v -= 0.25
		}
		return clamp(0.03+0.95*v) * flicker * light
	})
}
