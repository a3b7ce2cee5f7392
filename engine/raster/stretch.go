package raster

// Stretch raises a picture's contrast in place, for drawings of few greys: the
// darkest hundredth of its points becomes black, the brightest white, and what
// lies between goes along. It multiplies by mostGain at the most, about the
// middle, so that an even grey stays grey and black stays black.
func Stretch(pix []byte) {
	if len(pix) == 0 {
		return
	}
	var count [256]int
	for _, v := range pix {
		count[v]++
	}
	few := len(pix) / 100
	lo, hi := 0, 255
	for n := count[lo]; n <= few; n += count[lo] {
		lo++
	}
	for n := count[hi]; n <= few; n += count[hi] {
		hi--
	}
	if need := 255 / mostGain; hi-lo < need {
		lo = max(0, min((lo+hi-need)/2, 255-need))
		hi = lo + need
	}
	for i, v := range pix {
		pix[i] = byte(max(0, min(255, (int(v)-lo)*255/(hi-lo))))
	}
}

const mostGain = 3
