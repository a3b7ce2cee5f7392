package track

import (
	"slices"
	"time"
)

// Slip tells that a device's count of samples has left the wall clock: the
// sound system put silence into the output, or lost sound, without a word.
// What was sung after it lies out of place by about as much. The zero Slip
// is a device that kept time.
type Slip struct {
	Slipped bool
	Events  int   // how often
	Frames  int64 // the sum, frames; negative: too few samples for the time
	At      int64 // stream frame at which it was first seen, up to two seconds late
}

// slipClock holds the count of samples against the wall clock.
//
// Method: the lead of the count over the clock jumps up with each callback
// and falls until the next; its largest value in half a second is steady to
// some tens of samples even on a busy machine (measured with PulseAudio at
// periods of 480 to 2048 frames), and each silent insertion lowers it for
// good. A step against the median of the windows before, that the next
// window confirms, is a slip. A slow drift of the device's crystal is not.
// Known failure: steps under slipStepSeconds, and what happens before the
// first callback, are not seen.
type slipClock struct {
	rate float64 // Hz
	off  bool    // for devices that do not run by the clock
	slip Slip

	began   time.Time
	window  time.Time // when the window in hand began
	largest float64   // lead in it, frames
	past    []float64 // largest leads of the last windows
	suspect float64   // lead of the last window when it was a step, unconfirmed
	doubt   bool
}

const (
	slipWindow      = 500 * time.Millisecond
	slipHistory     = 5
	slipStepSeconds = 0.005
)

// see takes one look at the counter.
func (c *slipClock) see(now time.Time, frames int64) {
	if c.off || frames == 0 {
		return
	}
	if c.began.IsZero() {
		c.began, c.window, c.largest = now, now, float64(frames)
		return
	}
	lead := float64(frames) - now.Sub(c.began).Seconds()*c.rate
	if now.Sub(c.window) < slipWindow {
		c.largest = max(c.largest, lead)
		return
	}
	c.judge(c.largest, frames)
	c.window, c.largest = now, lead
}

// judge takes in a window that is full.
func (c *slipClock) judge(lead float64, frames int64) {
	step := slipStepSeconds * c.rate
	if len(c.past) == 0 {
		c.past = append(c.past, lead)
		return
	}
	usual := middle(c.past)
	switch off := lead - usual; {
	case off <= step && off >= -step:
		c.doubt = false
		c.past = append(c.past, lead)
		if len(c.past) > slipHistory {
			c.past = c.past[1:]
		}
	case c.doubt && (off < 0) == (c.suspect < usual):
		if !c.slip.Slipped {
			c.slip.At = frames
		}
		c.slip.Slipped = true
		c.slip.Events++
		c.slip.Frames += int64(off)
		c.past, c.doubt = append(c.past[:0], lead), false
	default:
		c.suspect, c.doubt = lead, true
	}
}

// middle is the median of a short list.
func middle(x []float64) float64 {
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}
