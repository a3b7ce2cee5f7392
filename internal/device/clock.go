package device

import "time"

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

// SlipClock holds the count of samples against the wall clock.
//
// Method: the lead of the count over the clock jumps up with each callback
// and falls until the next; its largest value in half a second is steady to
// some tens of samples even on a busy machine (measured with PulseAudio at
// periods of 480 to 2048 frames), and each silent insertion lowers it for
// good. A step against the median of the windows before, that the next
// window confirms, is a slip. A slow drift of the device's crystal is not.
// Known failure: steps under slipStepSeconds or slipStepPeriods, and what happens before the
// first callback, are not seen.
type SlipClock struct {
	SampleRate   float64 // Hz; 0: it never tells
	PeriodFrames int     // of the device
	Slip         Slip    // so far

	began   time.Time
	window  time.Time // when the window in hand began
	largest float64   // lead in it, frames
	past    [slipHistory]float64
	kept    int     // how many largest leads past holds, the newest last
	suspect float64 // lead of the last window when it was a step, unconfirmed
	doubt   bool
}

const (
	slipWindow      = 500 * time.Millisecond
	slipHistory     = 5
	slipStepSeconds = 0.005
	// Long periods give few looks in a window: the lead is less steady.
	slipStepPeriods = 0.25
)

// See takes one look at the counter. It never allocates.
func (c *SlipClock) See(now time.Time, frames int64) {
	if c.SampleRate == 0 || frames == 0 {
		return
	}
	if c.began.IsZero() {
		c.began, c.window, c.largest = now, now, float64(frames)
		return
	}
	lead := float64(frames) - now.Sub(c.began).Seconds()*c.SampleRate
	if now.Sub(c.window) < slipWindow {
		c.largest = max(c.largest, lead)
		return
	}
	c.judge(c.largest, frames)
	c.window, c.largest = now, lead
}

// judge takes in a window that is full.
func (c *SlipClock) judge(lead float64, frames int64) {
	step := max(slipStepSeconds*c.SampleRate, slipStepPeriods*float64(c.PeriodFrames))
	if c.kept == 0 {
		c.past[0], c.kept = lead, 1
		return
	}
	usual := middle(c.past, c.kept)
	switch off := lead - usual; {
	case off <= step && off >= -step:
		c.doubt = false
		if c.kept == slipHistory {
			copy(c.past[:], c.past[1:])
			c.kept--
		}
		c.past[c.kept] = lead
		c.kept++
	case c.doubt && (off < 0) == (c.suspect < usual):
		if !c.Slip.Slipped {
			c.Slip.At = frames
		}
		c.Slip.Slipped = true
		c.Slip.Events++
		c.Slip.Frames += int64(off)
		c.past[0], c.kept, c.doubt = lead, 1, false
	default:
		c.suspect, c.doubt = lead, true
	}
}

// middle is the median of the first n of x.
func middle(x [slipHistory]float64, n int) float64 {
	for i := 1; i < n; i++ { // insertion sort of a copy
		for j := i; j > 0 && x[j] < x[j-1]; j-- {
			x[j], x[j-1] = x[j-1], x[j]
		}
	}
	return x[n/2]
}
