package mix

import "math"

// Gate lowers what lies below a threshold: breath, room and the click that
// leaks between phrases. Method: the peak of each 16 samples opens it at the
// threshold and lets it close 4 dB below, so that it does not flutter; it holds,
// then falls. The gain moves as a share of what is left (attack) and in dB
// (release). Cost: under 1 ns a sample. Known failure: it cannot tell a soft
// note from a loud breath.
type Gate struct {
	ThresholdDB         float64 // -90 to below 0 dBFS of peaks; 0 is off
	RangeDB             float64 // 1 to 120: by how much it lowers; 0 is 40
	AttackMilliseconds  float64 // 0.1 to 100; 0 is 1
	HoldMilliseconds    float64 // 1 to 2000; 0 is 80
	ReleaseMilliseconds float64 // 1 to 5000: to the whole range; 0 is 200
}

const (
	gateHysteresisDB = 4
	gateRange        = 40
	gateAttack       = 1
	gateHold         = 80
	gateRelease      = 200
)

func (g Gate) validate() error {
	if g == (Gate{}) {
		return nil
	}
	if g.ThresholdDB == 0 {
		return outside("gate", "threshold_db", 0, -90, -0.1)
	}
	return within("gate", bound{"threshold_db", g.ThresholdDB, -90, -0.1}, bound{"range_db", orDefault(g.RangeDB, gateRange), 1, 120},
		bound{"attack_ms", orDefault(g.AttackMilliseconds, gateAttack), 0.1, 100}, bound{"hold_ms", orDefault(g.HoldMilliseconds, gateHold), 1, 2000},
		bound{"release_ms", orDefault(g.ReleaseMilliseconds, gateRelease), 1, 5000})
}

// Processor makes one; the zero value changes nothing.
func (g Gate) Processor(sampleRate int) (Processor, error) {
	if err := g.validate(); err != nil {
		return nil, err
	}
	if g == (Gate{}) {
		return through{}, nil
	}
	d := newDoor(g, sampleRate)
	s := newStepper(d.gain)
	s.from, s.to = d.floor, d.floor
	return &s, nil
}

// door opens and closes by a level.
type door struct {
	opens, closes, floor float64
	attack, fall         float64
	hold, held           int // steps
	now                  float64
}

func newDoor(g Gate, rate int) *door {
	release := orDefault(g.ReleaseMilliseconds, gateRelease) / 1000 * float64(rate) / stepSize
	d := &door{opens: Gain(g.ThresholdDB), closes: Gain(g.ThresholdDB - gateHysteresisDB), floor: Gain(-orDefault(g.RangeDB, gateRange)),
		attack: smooth(orDefault(g.AttackMilliseconds, gateAttack), rate),
		hold:   int(math.Ceil(orDefault(g.HoldMilliseconds, gateHold) / 1000 * float64(rate) / stepSize))}
	d.fall = Gain(-orDefault(g.RangeDB, gateRange) / max(release, 1))
	d.now = d.floor
	return d
}

// openEnough is a gain that is 1: 0.0001 dB.
const openEnough = 1 - 1e-5

// gain is the law of the steps: floor when shut, 1 when open.
func (d *door) gain(peak float64) float64 {
	if peak >= d.opens || d.held > 0 && peak >= d.closes {
		d.held = d.hold
	} else if d.held > 0 {
		d.held--
	}
	if d.held == 0 {
		d.now = max(d.now*d.fall, d.floor)
		return d.now
	}
	if d.now += float64(d.attack * (1 - d.now)); d.now > openEnough {
		d.now = 1
	}
	return d.now
}
