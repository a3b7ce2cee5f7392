package device

import (
	"math"
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
	// RateHz is the rate at which the device delivers when that is another than it
	// said; 0: it keeps its rate. RateAt is the stream frame from which on, to a
	// second, and Frames grows on with it.
	RateHz float64
	RateAt int64
}

// standardRates are those of sound devices, Hz.
var standardRates = []int{8000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000}

// NamedRate is the usual rate within half a percent of a measured one; 0 when
// there is none.
func NamedRate(hz float64) int {
	for _, r := range standardRates {
		if math.Abs(hz/float64(r)-1) < 0.005 {
			return r
		}
	}
	return 0
}

// SlipClock holds the count of samples against the wall clock.
//
// Method: the lead of the count over the clock jumps up with each callback
// and falls until the next; its largest value in half a second is steady to
// some tens of samples even on a busy machine (measured with PulseAudio at
// periods of 480 to 2048 frames), and each silent insertion lowers it for
// good. A step against the median of the windows before, that the next
// window confirms, is a slip. A slow drift of the device's crystal is not. Where
// window after window falls or rises by as much, the device runs at another rate,
// which is measured over all of them.
// Known failure: steps under slipStepSeconds or slipStepPeriods, and what happens before the
// first callback, are not seen.
type SlipClock struct {
	SampleRate   float64 // Hz; 0: it never tells
	PeriodFrames int     // of the device
	Slip         Slip    // so far

	began   time.Time
	window  time.Time // when the window in hand began
	largest float64   // lead in it, frames
	top     time.Time // when it was so large
	count   int64     // of frames then
	past    [slipHistory]float64
	kept    int     // how many largest leads past holds, the newest last
	suspect float64 // lead of the last window when it was a step, unconfirmed
	doubt   bool

	pace paceWatch
}

// paceWatch looks for another rate in the leads of windows in a row.
type paceWatch struct {
	lead  float64 // of the last window
	at    time.Duration
	known bool
	off   float64       // frames a second that the last window was off
	row   int           // windows in a row that were off by as much
	begun time.Duration // when the last window before them
	from  float64       // had its lead
	frame int64         // and its count
	last  int64         // count of the last window
}

const (
	slipWindow      = 500 * time.Millisecond
	slipHistory     = 5
	slipStepSeconds = 0.005
	// Long periods give few looks in a window: the lead is less steady.
	slipStepPeriods = 0.25

	paceRow   = 3    // windows that tell another rate
	paceOff   = 0.01 // of the rate: crystals are off by 0.0002 at most (common practice)
	paceAlike = 0.01 // of the rate: these windows agree
)

// See takes one look at the counter. It never allocates.
func (c *SlipClock) See(now time.Time, frames int64) {
	if c.SampleRate == 0 || frames == 0 {
		return
	}
	if c.began.IsZero() {
		c.began, c.window, c.largest, c.top, c.count = now, now, float64(frames), now, frames
		return
	}
	lead := float64(frames) - now.Sub(c.began).Seconds()*c.SampleRate
	if now.Sub(c.window) < slipWindow {
		if lead > c.largest {
			c.largest, c.top, c.count = lead, now, frames
		}
		return
	}
	c.judge(c.largest, frames)
	c.judgePace(c.largest, c.top.Sub(c.began), c.count)
	c.window, c.largest, c.top, c.count = now, lead, now, frames
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

// judgePace takes in the largest lead of a window, when it was so large, and the count then.
func (c *SlipClock) judgePace(lead float64, at time.Duration, frames int64) {
	p := &c.pace
	last := *p
	p.lead, p.at, p.last, p.known = lead, at, frames, true
	if !last.known || at == last.at {
		return
	}
	p.off = (lead - last.lead) / (at - last.at).Seconds()
	switch {
	case math.Abs(p.off) < paceOff*c.SampleRate:
		p.row = 0
	case last.row > 0 && math.Abs(p.off-last.off) < paceAlike*c.SampleRate:
		p.row++
	default:
		p.row, p.begun, p.from, p.frame = 1, last.at, last.lead, last.last
	}
	switch {
	case p.row >= paceRow:
		// The window in which it turned is half of each: it is left out.
		c.Slip.RateHz = c.SampleRate + (lead-p.from)/(at-p.begun).Seconds()
		if c.Slip.RateAt == 0 {
			c.Slip.RateAt = p.frame
		}
	case c.Slip.RateHz != 0 && p.row == 0:
		c.Slip.Slipped = true // it came back: what was lost stays lost
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
