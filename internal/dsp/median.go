package dsp

import "slices"

// Median of v (not sorted in place); 0 of none.
func Median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	w := slices.Clone(v)
	slices.Sort(w)
	return (w[(len(w)-1)/2] + w[len(w)/2]) / 2
}
