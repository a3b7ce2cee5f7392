package dsp

import "math"

// AmplitudeToDB is 20·log10 of a magnitude; -Inf for 0.
func AmplitudeToDB(a float64) float64 { return 20 * math.Log10(math.Abs(a)) }

// DBToAmplitude is the inverse of AmplitudeToDB; 0 for -Inf.
func DBToAmplitude(db float64) float64 { return math.Pow(10, db/20) }

// PowerToDB is 10·log10 of a power; -Inf for 0.
func PowerToDB(p float64) float64 { return 10 * math.Log10(p) }

// RMS is the root of the mean square, 0 of nothing. A sine of amplitude 1 has
// 0.7071.
func RMS(x []float32) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return math.Sqrt(sum / float64(len(x)))
}

// Peak is the largest magnitude, 0 of nothing. NaN is passed over.
func Peak(x []float32) float32 {
	peak := float32(0)
	for _, v := range x {
		if v > peak {
			peak = v
		} else if -v > peak {
			peak = -v
		}
	}
	return peak
}

// LargestAt is the index of what is furthest from 0, the first of equals; 0 of
// nothing.
func LargestAt(x []float64) int {
	best := 0
	for k, v := range x {
		if math.Abs(v) > math.Abs(x[best]) {
			best = k
		}
	}
	return best
}

// RMSAway is the root of the mean square of what lies further than away from
// an index; 0 when nothing does.
func RMSAway(x []float64, at, away int) float64 {
	sum, n := 0.0, 0
	for k, v := range x {
		if k < at-away || k > at+away {
			sum += v * v
			n++
		}
	}
	return math.Sqrt(sum / float64(max(n, 1)))
}
