package track

import "time"

// Slip tells that a device's count of samples has left the wall clock: it
// lost or repeated sound without a word, and what follows may be out of
// place. The zero Slip is a device that kept time.
type Slip struct {
	Slipped bool
	Frames  int64 // how far off at the worst, frames; negative: too few samples for the time
	At      int64 // stream frame at which it was first seen
}

// slipClock holds the count of samples against the wall clock.
//
// Method: the lead of the count over the clock jumps with each callback, so
// its largest value in a window of a second is compared with that of the
// first full window. Known failure: it does not see what a device hides from
// both counters, such as input lost while output went on.
type slipClock struct {
	rate float64
	off  bool
	slip Slip

	began   time.Time
	base    float64 // largest lead in the first window
	based   bool
	window  time.Time
	largest float64
}

const (
	slipWindow = time.Second
	// Crystals differ by less than 100 ppm (common practice); a loaded machine
	// delivers some periods late.
	slipTolerancePPM    = 500
	slipToleranceFrames = 0.030 // seconds of samples
)

// see takes one look at the counter.
func (c *slipClock) see(now time.Time, frames int64) {
	if c.off || frames == 0 {
		return
	}
	if c.began.IsZero() {
		c.began, c.window = now, now
		c.largest = float64(frames)
		return
	}
	lead := float64(frames) - now.Sub(c.began).Seconds()*c.rate
	if now.Sub(c.window) < slipWindow {
		c.largest = max(c.largest, lead)
		return
	}
	// The first window is the start-up: bursts, and a start that is cut in.
	switch seconds := now.Sub(c.began).Seconds(); {
	case seconds < 2*slipWindow.Seconds():
	case !c.based:
		c.base, c.based = c.largest, true
	default:
		off := c.largest - c.base
		allowed := c.rate * (slipToleranceFrames + seconds*slipTolerancePPM*1e-6)
		if (off > allowed || off < -allowed) && absolute(off) > absolute(float64(c.slip.Frames)) {
			if !c.slip.Slipped {
				c.slip.At = frames
			}
			c.slip.Slipped, c.slip.Frames = true, int64(off)
		}
	}
	c.window, c.largest = now, lead
}

func absolute(x float64) float64 { return max(x, -x) }
