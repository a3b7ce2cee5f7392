package mix

import (
	"math"

	"cuechoir/internal/fault"
)

// Ride lowers the music while a voice speaks over it. The voice is a layer like
// any other; all is lowered but the voice and its group, what they send to room
// and echo as well. Method: the peaks of the voice behind its fader against a
// threshold, with a hold between words, or marks set by a person: then the music
// is down at a mark's first sample and begins to come back at its last. Known
// failure: detection looks at nothing to come, so the first syllable begins over
// music that is still falling; marks do not have that.
type Ride struct {
	Voice               string  // the strip that speaks; "" is off
	DepthDB             float64 // 1 to 40; 0 is 9
	ThresholdDB         float64 // -80 to below 0 dBFS; 0 is -40
	AttackMilliseconds  float64 // 1 to 2000; 0 is 60
	HoldMilliseconds    float64 // 1 to 5000; 0 is 350
	ReleaseMilliseconds float64 // 1 to 10000; 0 is 500
	Marks               []Span  // where it speaks; nil: it is detected
}

// Span is a stretch of the timeline in samples: From and up to but not To.
type Span struct {
	From int64 `json:"from_sample"`
	To   int64 `json:"to_sample"`
}

const (
	rideDepth     = 9
	rideThreshold = -40
	rideAttack    = 60
	rideHold      = 350
	rideRelease   = 500
	maxMarks      = 10_000
)

func (r Ride) validate() error {
	if r.Voice == "" {
		if len(r.Marks) > 0 || r.DepthDB != 0 || r.ThresholdDB != 0 || r.AttackMilliseconds != 0 || r.HoldMilliseconds != 0 || r.ReleaseMilliseconds != 0 {
			return fault.New(fault.Usage, "ride: it does not say which layer speaks")
		}
		return nil
	}
	if len(r.Marks) > maxMarks {
		return fault.New(fault.Usage, "ride: more than %d marks", maxMarks)
	}
	for i, m := range r.Marks {
		switch {
		case m.To <= m.From || m.From < -maxTimeline || m.To > maxTimeline:
			return fault.New(fault.Usage, "ride: mark %d (%d to %d) is empty or not on the timeline", i+1, m.From, m.To)
		case i > 0 && m.From < r.Marks[i-1].To:
			return fault.New(fault.Usage, "ride: mark %d begins before the one before has ended", i+1)
		}
	}
	return within("ride", bound{"depth_db", orDefault(r.DepthDB, rideDepth), 1, 40}, bound{"threshold_db", orDefault(r.ThresholdDB, rideThreshold), -80, -0.1},
		bound{"attack_ms", orDefault(r.AttackMilliseconds, rideAttack), 1, 2000}, bound{"hold_ms", orDefault(r.HoldMilliseconds, rideHold), 1, 5000},
		bound{"release_ms", orDefault(r.ReleaseMilliseconds, rideRelease), 1, 10000})
}

// rider is a ride at work: it makes the gain of what lies under the voice.
type rider struct {
	byMarks fader
	stepper
	opens           float64
	still           float64 // of the voice
	depth           float64
	attack, release float64
	hold, held      int
	reduction       float64
}

// newRider makes one; nil when there is nothing to ride.
func newRider(r Ride, rate int) (*rider, error) {
	if err := r.validate(); err != nil || r.Voice == "" {
		return nil, err
	}
	d := &rider{opens: Gain(orDefault(r.ThresholdDB, rideThreshold)), depth: orDefault(r.DepthDB, rideDepth)}
	if len(r.Marks) > 0 {
		d.byMarks = fader{base: 1, knots: r.knots(rate)}
		return d, nil
	}
	d.attack, d.release = smooth(orDefault(r.AttackMilliseconds, rideAttack), rate), smooth(orDefault(r.ReleaseMilliseconds, rideRelease), rate)
	d.hold = int(math.Ceil(orDefault(r.HoldMilliseconds, rideHold) / 1000 * float64(rate) / stepSize))
	d.stepper = newStepper(d.law)
	return d, nil
}

// knots are the marks as an automation: marks too near for the music to come
// back between them become one.
func (r Ride) knots(rate int) Automation {
	samples := func(ms float64) int64 { return max(1, int64(math.Round(ms/1000*float64(rate)))) }
	attack, release := samples(orDefault(r.AttackMilliseconds, rideAttack)), samples(orDefault(r.ReleaseMilliseconds, rideRelease))
	depth := orDefault(r.DepthDB, rideDepth)
	var joined []Span
	for _, m := range r.Marks {
		if n := len(joined); n > 0 && m.From-attack <= joined[n-1].To+release {
			joined[n-1].To = m.To
			continue
		}
		joined = append(joined, m)
	}
	var out Automation
	for _, m := range joined {
		out = append(out, Knot{m.From - attack, 0}, Knot{m.From, -depth})
		if m.To-1 > m.From {
			out = append(out, Knot{m.To - 1, -depth})
		}
		out = append(out, Knot{m.To - 1 + release, 0})
	}
	return out
}

// gains writes the gain of each sample from at; voice is what is spoken there, nil
// for silence, and still a gain that it is yet to get.
func (d *rider) gains(at int64, voice []float64, still float64, out []float64) {
	d.still = still
	for i := range out {
		out[i] = 1
	}
	if d.byMarks.knots != nil {
		d.byMarks.run(at, out)
		return
	}
	for len(out) > 0 {
		n := min(stepSize-d.phase, len(out))
		if voice != nil {
			d.hear(voice[:n])
			voice = voice[n:]
		}
		d.apply(out[:n])
		d.move(n)
		out = out[n:]
	}
}

func (d *rider) law(peak float64) float64 {
	if d.still*peak >= d.opens {
		d.held = d.hold
	} else if d.held > 0 {
		d.held--
	}
	if d.held > 0 {
		d.reduction += float64(d.attack * (d.depth - d.reduction))
	} else {
		d.reduction -= float64(d.release * d.reduction)
	}
	if d.reduction < deadDB {
		d.reduction = 0
		return 1
	}
	return fastGain(d.reduction)
}
