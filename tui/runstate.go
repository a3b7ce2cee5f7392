package tui

import "math"

// run is what runs now: a transport, or work; the zero value is nothing.
type run struct {
	wish     Wish
	told     Told
	hold     holding // of the input
	stopping bool
}

func (r *run) busy() bool   { return r.wish.Do != "" }
func (r *run) moving() bool { return r.wish.Do == DoPlay || r.wish.Do == DoSing }

// holding is a level with its peak held, in dBFS.
type holding struct {
	DB, PeakDB float64
	peakAt     int64 // timeline sample at which the peak was met
	Clipped    bool
}

// Levels a meter shows, dBFS, and how it moves.
const (
	meterFloorDB    = -60
	holdSeconds     = 1.5 // a peak stands so long (common practice)
	fallDBPerSecond = 20  // and the bar falls so fast (common practice)
	clipDB          = -0.05
)

// see takes in the largest level since the last time. at is where the timeline
// stands, so that the meter moves alike at any speed.
func (h *holding) see(db float64, at int64, since int64, sampleRate int) {
	db = max(db, meterFloorDB)
	h.DB = max(db, h.DB-fallDBPerSecond*float64(max(0, since))/float64(sampleRate))
	h.DB = max(h.DB, meterFloorDB)
	if db >= h.PeakDB || at-h.peakAt > int64(holdSeconds*float64(sampleRate)) || at < h.peakAt {
		h.PeakDB, h.peakAt = db, at
	}
	h.Clipped = h.Clipped || db >= clipDB
}

// begun is the state when a run has begun.
func (s State) begun(w Wish) State {
	s.run = run{wish: w, hold: holding{DB: meterFloorDB, PeakDB: meterFloorDB}}
	if w.Do == DoSing {
		s.live = nil
	}
	s.run.told.At = s.sheet.sampleOf(s.Frame)
	return s
}

// maxLive bounds the readings that are kept to be drawn: ten minutes.
const maxLive = 60_000

// hear is the state after a word of how the run goes.
func (s State) hear(t Told) State {
	if !s.run.busy() {
		return s
	}
	before := s.run.told
	if s.ride != nil && t.Moving && t.At < before.At { // a loop begins anew
		s.endRide()
	}
	if t.Note == "" {
		t.Note = before.Note
	}
	s.run.told = t
	if !t.Moving {
		return s
	}
	if t.Input {
		s.run.hold.see(t.PeakDB, t.At, t.At-before.At, s.sheet.SampleRate)
	}
	if len(t.Voice) > 0 {
		if n := len(s.live); n > 0 && t.Voice[0].Sample <= s.live[n-1].Sample {
			s.live = nil // another pass
		}
		if s.live = append(s.live, t.Voice...); len(s.live) > maxLive {
			s.live = s.live[len(s.live)-maxLive:]
		}
	}
	s.move(s.sheet.Rate.FrameOf(t.At, s.sheet.SampleRate))
	return s
}

// end is the state when a run has ended.
func (s State) end(out Outcome, err error) State {
	w := s.run.wish
	if s.run.stopping {
		s.News = ""
	}
	s.ready = s.ready || w.Do == DoReady && !s.run.stopping
	s.newest = w.Do == DoSing && out.Changed
	s.endRide()
	s.run = run{}
	stale := s.mixStale
	s = s.outcome(out, err)
	if w.Do == DoCheck { // listening changes nothing that is heard
		s.mixStale = stale
	}
	if !s.ready && s.next == nil && w.Do != DoReady {
		s.wish(Wish{Do: DoReady})
	}
	if w.Do == DoPlay && s.tapped != nil {
		s.wish(Wish{Do: DoTaps, Taps: s.tapped})
		s.tapped = nil
	}
	return s
}

// outcome takes in what came of a wish.
func (s State) outcome(out Outcome, err error) State {
	if err != nil {
		s.dial.said = ""
		s.News = err.Error()
	} else if out.News != "" {
		s.News = out.News
	}
	if len(out.Notice) > 0 {
		s.notice = out.Notice
	}
	if out.Offers != nil {
		s.offers, s.Offer = out.Offers, 0
	}
	if out.Bounced != nil {
		s.bounced, s.reload = out.Bounced, true
	}
	if out.Mix != nil {
		s.mix, s.mixStale = out.Mix, false
	}
	if out.Changed {
		s.reload, s.mixStale = true, s.mix != nil && out.Mix == nil
	}
	return s
}

// dbOf is a sample's level in dBFS, at the floor of the meters at least.
func dbOf(x float64) float64 {
	if x <= 0 {
		return meterFloorDB
	}
	return max(meterFloorDB, 20*math.Log10(x))
}
