package track

import (
	"time"

	"cuechoir/internal/fault"
)

// pause waits a little, longer each time in a row.
type pause struct{ d time.Duration }

func (p *pause) reset() { p.d = 0 }

func (p *pause) wait() {
	p.d = min(max(2*p.d, 20*time.Microsecond), 4*time.Millisecond)
	time.Sleep(p.d)
}

// watchdog notices a device that no longer calls back.
type watchdog struct {
	limit  time.Duration
	last   int64
	since  time.Time
	called bool
	now    func() time.Time
}

func newWatchdog(limit time.Duration, now func() time.Time) *watchdog {
	if limit <= 0 {
		limit = defaultStallLimit
	}
	return &watchdog{limit: limit, since: now(), now: now}
}

// hurry is for when the end is wished for: no long wait any more.
func (w *watchdog) hurry() {
	w.limit, w.called, w.since = min(w.limit, hurryLimit), true, w.now()
}

func (w *watchdog) see(frames int64) error {
	now := w.now()
	if frames != w.last {
		w.last, w.since, w.called = frames, now, true
		return nil
	}
	limit := w.limit
	if !w.called {
		limit = max(limit, firstCallbackLimit)
	}
	if now.Sub(w.since) < limit {
		return nil
	}
	what := "the sound device has stopped delivering"
	if !w.called {
		what = "the sound device never delivered anything"
	}
	return fault.New(fault.Device, "%s (waited %v)", what, limit.Round(time.Millisecond)).
		Mended("see that it is plugged in and that the sound system runs; what was sung is kept")
}
