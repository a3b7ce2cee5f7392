package tui

import (
	"context"

	"cuechoir/engine/raster"
)

// Pose says what a captured screen shows.
type Pose struct {
	W, H  int
	Stage Stage
	Keys  []string // pressed one after the other, each answered before the next
	// Hold is the frame at which a playing or a take is caught on its way; 0:
	// none is, and runs go to their end.
	Hold int64
}

// Capture is the screen after a pose's keys, in true colour, without a terminal.
// It waits for all that the keys ask of the desk. Errors: the first reading's,
// and interruption.
func Capture(ctx context.Context, desk Desk, p Pose) (*Grid, error) {
	c := &capture{ctx: ctx, desk: desk, pose: p}
	first := <-read(ctx, desk)
	if first.panicked != nil {
		panic(first.panicked)
	}
	if first.err != nil {
		return nil, first.err
	}
	c.s = newState(first.sheet, drawnGlyphs(), p.W, p.H)
	c.s.stills, c.s.depth = desk.Still, raster.Greys24
	c.s.chooseTakeInUse()
	c.s.wish(Wish{Do: DoReady})
	c.s.goTo(p.Stage)
	c.answer()
	for _, k := range p.Keys {
		c.s = c.s.press(k)
		c.answer()
	}
	if ctx.Err() != nil {
		return nil, stopped(ctx)
	}
	if c.caught != nil {
		return c.caught, nil
	}
	return View(c.s), nil
}

type capture struct {
	ctx    context.Context
	desk   Desk
	pose   Pose
	s      State
	caught *Grid // on the way of a run
}

// answer does what the state wishes for, until it wishes for nothing more.
func (c *capture) answer() {
	for len(c.s.wishes) > 0 || c.s.reload {
		if c.s.reload {
			c.s.reload = false
			if r := <-read(c.ctx, c.desk); r.err == nil && r.panicked == nil {
				c.s = c.s.withSheet(r.sheet)
			}
			continue
		}
		w := c.s.wishes[0]
		c.s.wishes = c.s.wishes[1:]
		if !w.Runs() {
			c.s = c.s.outcome(c.desk.Do(c.ctx, w, func(Told) {}))
			continue
		}
		c.s = c.s.begun(w)
		ctx, cancel := context.WithCancel(c.ctx)
		out, err := c.desk.Do(ctx, w, func(t Told) {
			c.s = c.s.hear(t)
			if c.pose.Hold > 0 && c.s.run.moving() && t.At >= c.s.sheet.sampleOf(c.pose.Hold) && c.caught == nil {
				c.caught = View(c.s)
				cancel()
			}
		})
		cancel()
		c.s = c.s.end(out, err)
	}
}
