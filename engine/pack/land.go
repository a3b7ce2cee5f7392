package pack

import (
	"math"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// RingSeconds of a recording are kept after the music's end, so that a last
// note is not cut while it rings.
const RingSeconds = 1

// Land lays a recording, mono at the layout's rate, on the timeline: x[0] is
// the sound at sample start. What lies before From or RingSeconds after To, the
// chirps among it, is left out. Errors: NotMet when nothing of it is left.
func Land(rec []float32, a Alignment, l Layout) (start int64, x []float32, err error) {
	if !(math.Abs(a.Pace-1) <= maxClockPPM*1e-6) || !(math.Abs(a.Origin) <= 4*maxSpan) {
		return 0, nil, fault.New(fault.Usage, "a recording does not start at %g and run at a pace of %g", a.Origin, a.Pace)
	}
	start = max(l.From, int64(math.Ceil(-a.Origin/a.Pace)))
	stop := min(l.To+l.seconds(RingSeconds), int64(math.Floor((float64(len(rec)-1)-a.Origin)/a.Pace))+1)
	if stop <= start {
		return 0, nil, fault.New(fault.NotMet, "the recording holds nothing of the music").Mended("ask for a longer one")
	}
	x, err = dsp.Warp(rec, int(stop-start), func(k int) float64 { return a.Origin + a.Pace*float64(start+int64(k)) })
	return start, x, err
}
