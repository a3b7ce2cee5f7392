package mix

import (
	"math"
)

// Processor changes a sound in place, 64-bit, ±1.0 full scale. The contract,
// which mixtest.CheckProcessor tests:
//
//  1. left is mono where right is nil; else both are of one length, and what
//     follows a level follows the louder of the two, so that the picture
//     stays. A processor hears either mono or stereo all its life.
//  2. What comes out does not depend on how the sound is cut into blocks, not
//     by a bit. A block may be empty.
//  3. Silence from the start stays silence. After any finite sound silence
//     comes back, and none of it is a subnormal number.
//  4. What is finite and within ±1000 stays finite.
//  5. Nothing beyond the block is touched, nothing is kept of it, nothing is
//     allocated.
//  6. A setting's zero value is no processor at all: the same bits come out.
type Processor interface {
	Process(left, right []float64)
}

// stepSize is how many samples dynamics wait between two looks at the level:
// 0.33 ms at 48 kHz. Between two looks the gain moves in a straight line.
const stepSize = 16

// ramp is the way from one look to the next; it ends at 1 exactly.
var ramp = [stepSize]float64{1. / 16, 2. / 16, 3. / 16, 4. / 16, 5. / 16, 6. / 16, 7. / 16, 8. / 16, 9. / 16, 10. / 16, 11. / 16, 12. / 16, 13. / 16, 14. / 16, 15. / 16, 1}

// stepper finds the peak of each step and applies the gain that a law made of
// the steps before. Its steps count from its first sample, not from blocks.
type stepper struct {
	law      func(peak float64) float64 // the gain at the end of the next step
	phase    int
	peak     uint64  // bits of the largest magnitude of this step
	from, to float64 // the gain at the step's start and end
}

func newStepper(law func(peak float64) float64) stepper {
	return stepper{law: law, from: 1, to: 1}
}

// Process is the whole of a processor whose level is heard where its gain
// works.
func (s *stepper) Process(left, right []float64) {
	for len(left) > 0 {
		n := min(stepSize-s.phase, len(left))
		s.hear(left[:n])
		if right != nil {
			s.hear(right[:n])
			s.apply(right[:n])
			right = right[n:]
		}
		s.apply(left[:n])
		s.move(n)
		left = left[n:]
	}
}

const signBit = 1 << 63

// hear takes samples into the peak. The bits of magnitudes are in the order of
// magnitudes: no branch that noise would make the processor guess wrong.
func (s *stepper) hear(x []float64) {
	peak := s.peak
	for _, v := range x {
		peak = max(peak, math.Float64bits(v)&^signBit)
	}
	s.peak = peak
}

// apply multiplies x, which begins at the step's phase, by the gain.
func (s *stepper) apply(x []float64) {
	if s.from == 1 && s.to == 1 {
		return
	}
	way, from, by := ramp[s.phase:][:len(x)], s.from, s.to-s.from
	for i, v := range x {
		x[i] = v * (from + float64(by*way[i]))
	}
}

// move goes n samples on, at most to the step's end.
func (s *stepper) move(n int) {
	if s.phase += n; s.phase < stepSize {
		return
	}
	s.from, s.to = s.to, s.law(math.Float64frombits(s.peak))
	s.phase, s.peak = 0, 0
}

// smooth is how much of the way to its goal a value goes in one step, so that
// 63 % are gone in the time.
func smooth(milliseconds float64, rate int) float64 {
	steps := milliseconds / 1000 * float64(rate) / stepSize
	if steps <= 0 {
		return 1
	}
	return 1 - math.Exp(-1/steps)
}

// decibels is 20·log10; -Inf for 0.
func decibels(x float64) float64 { return 20 * math.Log10(x) }

// orDefault is the usual value where none is given.
func orDefault(x, usual float64) float64 {
	if x == 0 {
		return usual
	}
	return x
}
