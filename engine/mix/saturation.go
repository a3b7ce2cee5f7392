package mix

import "math"

// Saturation rounds peaks off, and adds the odd partials that come of it.
// Method: y = tanh(d·x)/d with d = 10^(DriveDB/20) - 1, so that soft sounds keep
// their level and 0 dB is a straight line; anti-aliased by the antiderivative of
// first order (Parker, Zavalishin and Le Bivic, DAFx 2016), which delays by half
// a sample and lowers 10 kHz by 2 dB at 48 kHz. Cost: 20 ns a sample.
type Saturation struct {
	DriveDB float64 // 0 (off) to 36; at 6 full scale comes out at -2.4 dB
}

func (s Saturation) validate() error {
	return within("saturation", bound{"drive_db", s.DriveDB, 0, 36})
}

// Processor makes one; the zero value changes nothing.
func (s Saturation) Processor(int) (Processor, error) {
	if err := s.validate(); err != nil {
		return nil, err
	}
	if s.DriveDB == 0 {
		return through{}, nil
	}
	return &saturation{drive: Gain(s.DriveDB) - 1}, nil
}

type saturation struct {
	drive float64
	last  [2]struct{ u, area float64 } // the sample before, driven, and the antiderivative there
}

func (s *saturation) Process(left, right []float64) {
	s.run(0, left)
	s.run(1, right)
}

// tooClose is where the difference of two areas holds too few digits.
const tooClose = 1e-4

func (s *saturation) run(channel int, x []float64) {
	before := &s.last[channel]
	for i, v := range x {
		u := s.drive * v
		area := logCosh(u)
		way := u - before.u
		if math.Abs(way) < tooClose {
			x[i] = math.Tanh(before.u+way/2) / s.drive
		} else {
			x[i] = (area - before.area) / way / s.drive
		}
		before.u, before.area = u, area
	}
}

// logCosh is the antiderivative of tanh, for any u.
func logCosh(u float64) float64 {
	u = math.Abs(u)
	return u + math.Log1p(math.Exp(-2*u)) - math.Ln2
}
