package beats

// Numbers counts beats from 0 on: a gap that lasts several beats, against the
// gaps around, counts as so many, as where a note is held or taps paused.
func Numbers(b []Beat) []int {
	if len(b) == 0 {
		return nil
	}
	gaps := make([]float64, len(b)-1)
	for i := range gaps {
		gaps[i] = float64(b[i+1].Sample - b[i].Sample)
	}
	out := make([]int, len(b))
	for i, n := range beatsOf(gaps) {
		out[i+1] = out[i] + n
	}
	return out
}

// FirstBar is the number, 0 to metre-1, from which on every metre-th number
// meets the most beats that begin bars, the earliest of equals. number is of
// each beat.
func FirstBar(b []Beat, number []int, metre int) int {
	votes := make([]int, max(metre, 1))
	for i, k := range b {
		if k.Downbeat {
			votes[number[i]%len(votes)]++
		}
	}
	best := 0
	for p, n := range votes {
		if n > votes[best] {
			best = p
		}
	}
	return best
}
