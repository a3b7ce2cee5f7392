package device

import (
	"testing"
	"time"
)

// The wall clock in this test is a made one.
func TestSlipClock(t *testing.T) {
	for _, c := range []struct {
		name   string
		period int64
		ppm    float64
		gap    int64 // frames lost at 10 s
		at     float64
		events int
	}{
		{"exact", 480, 0, 0, 0, 0}, {"crystal", 480, 150, 0, 0, 0}, {"long period", 4096, -150, 0, 0, 0},
		{"lost 20 ms", 480, 50, 960, 10, 1}, {"lost 20 ms of long periods", 2048, 0, 960, 10, 1},
		{"lost at the start", 480, 0, 2000, 0.3, 1}, {"doubled 20 ms", 1024, 0, -960, 5, 1}, {"1 ms is not seen", 480, 0, 48, 10, 0},
	} {
		clock := SlipClock{SampleRate: 48000, PeriodFrames: int(c.period)}
		now := time.Now()
		for step := range 5000 { // 20 s in steps of 4 ms
			seconds := float64(step+1) / 250
			frames := int64(seconds * 48000 * (1 + c.ppm*1e-6))
			if seconds > c.at {
				frames -= c.gap
			}
			frames = frames/c.period*c.period + 3*c.period
			jitter := time.Duration(step*7919%3) * time.Millisecond // the drain looks late
			if step%500 > 470 && step > 1000 {
				jitter += 100 * time.Millisecond // and at times much too late
			}
			clock.See(now.Add(time.Duration(seconds*float64(time.Second))+jitter), frames)
		}
		if s := clock.Slip; s.Events != c.events || s.Slipped != (c.events > 0) || c.events > 0 && (s.Frames > -c.gap+300 || s.Frames < -c.gap-300 ||
			float64(s.At) > (c.at+2)*48000+4*float64(c.period)) {
			t.Errorf("%s: %+v", c.name, s)
		}
	}
}
