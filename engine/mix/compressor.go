package mix

// Compressor lowers what is loud. Aim: words and notes even enough to sit in a
// mix. Method: feed-forward, the peak's level with a decaying hold, the static
// curve with a quadratic knee, the gain in dB smoothed by attack and release
// (Giannoulis, Massberg and Reiss, «Digital Dynamic Range Compressor Design»,
// JAES 60, 2012, equation 4 and the smooth decoupled detector). Cost: 1 to 3 ns
// a sample. Known failure: attacks under 0.4 ms are not followed, as the level
// is looked at each 16 samples.
type Compressor struct {
	ThresholdDB         float64 // -80 to 0 dBFS of peaks; where the knee's middle lies
	Ratio               float64 // 1 to 100 dB in for 1 dB out; 0 is off
	KneeDB              float64 // 0 to 40; the width of the bend; hard at 0
	AttackMilliseconds  float64 // 0.1 to 500; 0 is 10
	ReleaseMilliseconds float64 // 1 to 5000; 0 is 150
	MakeupDB            float64 // -24 to 24, after all that
}

// Usual times of a compressor: common practice for voices.
const (
	usualAttack  = 10
	usualRelease = 150
)

func (c Compressor) validate() error {
	if c.Ratio == 0 {
		if c != (Compressor{}) {
			return outside("compressor", "ratio", 0, 1, 100)
		}
		return nil
	}
	return within("compressor",
		bound{"threshold_db", c.ThresholdDB, -80, 0}, bound{"ratio", c.Ratio, 1, 100}, bound{"knee_db", c.KneeDB, 0, 40},
		bound{"attack_ms", orDefault(c.AttackMilliseconds, usualAttack), 0.1, 500},
		bound{"release_ms", orDefault(c.ReleaseMilliseconds, usualRelease), 1, 5000}, bound{"makeup_db", c.MakeupDB, -24, 24})
}

// ReductionDB is the static curve: by how many dB a steady level is lowered, 0
// or more, without the makeup.
func (c Compressor) ReductionDB(levelDB float64) float64 {
	slope, over := 1-1/c.Ratio, levelDB-c.ThresholdDB
	switch {
	case 2*over <= -c.KneeDB:
		return 0
	case 2*over < c.KneeDB:
		d := over + c.KneeDB/2
		return slope * d * d / (2 * c.KneeDB)
	}
	return slope * over
}

// Processor makes one; the zero value changes nothing.
func (c Compressor) Processor(sampleRate int) (Processor, error) {
	if err := c.validate(); err != nil {
		return nil, err
	}
	if c.Ratio == 0 {
		return through{}, nil
	}
	m := &compressor{Compressor: c, makeup: Gain(c.MakeupDB), bends: Gain(c.ThresholdDB - c.KneeDB/2)}
	release := orDefault(c.ReleaseMilliseconds, usualRelease)
	m.attack, m.release = smooth(orDefault(c.AttackMilliseconds, usualAttack), sampleRate), smooth(release, sampleRate)
	m.keep = 1 - smooth(release/4, sampleRate) // the hold falls faster than the gain comes back
	s := newStepper(m.gain)
	s.from, s.to = m.makeup, m.makeup
	return &s, nil
}

// compressor is one at work.
type compressor struct {
	Compressor
	reducer
	makeup, bends float64
	keep, level   float64
}

// reducer follows a wished reduction, by its attack where that grows and by its
// release where it falls.
type reducer struct{ attack, release, reduction float64 }

// deadDB is a reduction that is none.
const deadDB = 1e-6

// toward goes a step toward a reduction in dB and gives the gain then.
func (r *reducer) toward(goal float64) float64 {
	if goal > r.reduction {
		r.reduction += float64(r.attack * (goal - r.reduction))
	} else {
		r.reduction += float64(r.release * (goal - r.reduction))
	}
	if r.reduction < deadDB {
		r.reduction = 0
		return 1
	}
	return fastGain(r.reduction)
}

// gain is the law of the steps.
func (c *compressor) gain(peak float64) float64 {
	c.level = max(peak, c.level*c.keep)
	goal := 0.0
	if c.level > c.bends {
		goal = c.ReductionDB(fastDB(c.level))
	}
	if c.level < tinyLevel {
		c.level = 0
	}
	return c.toward(goal) * c.makeup
}

// tinyLevel is far below hearing and far above subnormal numbers.
const tinyLevel = 1e-30

// through changes nothing.
type through struct{}

func (through) Process(_, _ []float64) {}
