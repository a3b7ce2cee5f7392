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

// A device that runs at another rate is told as that: which, and from where on. One
// that stalls, slips or drifts is not.
func TestSlipClockTellsTheRate(t *testing.T) {
	for _, c := range []struct {
		name     string
		rate     float64 // from 6 s on
		lost     float64 // seconds of sound each second, from 6 s on, for two seconds
		wantRate int
	}{
		{"44.1 kHz", 44_100, 0, 44_100}, {"96 kHz", 96_000, 0, 96_000}, {"half", 24_000, 0, 0},
		{"a poor crystal", 48_000 * 1.0005, 0, -1}, {"loses 40 ms twice", 48_000, 0.04, -1},
	} {
		clock := SlipClock{SampleRate: 48000, PeriodFrames: 480}
		now := time.Now()
		count, lost := 0.0, 0.0
		for step := range 3000 { // 12 s in steps of 4 ms
			seconds := float64(step+1) / 250
			if seconds <= 6 {
				count = seconds * 48000
			} else {
				count += c.rate / 250
				if c.lost > 0 && (step == 1600 || step == 1900) {
					lost += c.lost * 48000
				}
			}
			frames := int64(count-lost) / 480 * 480
			jitter := time.Duration(step*7919%3) * time.Millisecond
			clock.See(now.Add(time.Duration(seconds*float64(time.Second))+jitter), frames)
		}
		s := clock.Slip
		if c.wantRate < 0 {
			if s.RateHz != 0 {
				t.Errorf("%s: told as %.0f Hz", c.name, s.RateHz)
			}
			continue
		}
		if d := s.RateHz/c.rate - 1; d < -0.006 || d > 0.006 || NamedRate(s.RateHz) != c.wantRate {
			t.Errorf("%s: told as %.1f Hz, %d", c.name, s.RateHz, NamedRate(s.RateHz))
		}
		if at := float64(s.RateAt) / 48000; at < 5 || at > 7.1 || !s.Slipped {
			t.Errorf("%s: from %.2f s on, it was 6; %+v", c.name, at, s)
		}
		t.Logf("%s: %.1f Hz from %.2f s on", c.name, s.RateHz, float64(s.RateAt)/48000)
	}
}
