package bounce

import (
	"math"

	"cuechoir/engine/loudness"
	"cuechoir/internal/fault"
)

// maxMasterGainDB is what mix accepts.
const maxMasterGainDB = 60

// setGain finds the master gain: the wish, less what the ceiling takes.
func (j *job) setGain(m *loudness.Meter) (gain, trim float64, err error) {
	more := 0.0
	if t := j.o.TargetLUFS; t != nil {
		var ok bool
		if more, ok = m.GainForLUFS(*t); !ok {
			return 0, 0, fault.New(fault.NotMet, "the mix is silent or shorter than 0.4 s, so it cannot be set to %g LUFS", *t).In(j.o.Path, "").
				Mended("leave the target out, or unmute a layer")
		}
	}
	if over := m.TruePeakDBTP() + more - j.room(); over > 0 && !j.o.Limit {
		trim = -over
	}
	gain = j.o.MasterGainDB + more + trim
	if gain > maxMasterGainDB {
		return 0, 0, fault.New(fault.NotMet, "the mix is so quiet that it would need %.1f dB more to reach %g LUFS", gain, *j.o.TargetLUFS).In(j.o.Path, "").
			Mended("raise the layers first")
	}
	return gain, trim, nil
}

// room is the ceiling in dBTP less what rounding (and dither) can add to a
// true peak: under 0.002 dB at 16 bits and -1 dBTP, nothing to speak of at 24.
func (j *job) room() float64 {
	const interpolation = 3 // more than any meter's filter can lift an error by
	allowed := math.Pow(10, j.o.CeilingDBTP/20) - interpolation*roundingError(j.o.Bits)
	return 20 * math.Log10(allowed)
}
