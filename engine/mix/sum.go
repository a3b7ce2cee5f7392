package mix

import "math"

// widen makes 64-bit samples and tells the index of the first that is not a
// finite number, -1 for none.
func widen(to []float64, from []float32) int {
	const exponent = 0x7f800000 // all bits set: infinite, or no number
	to = to[:len(from)]
	worst := uint32(0)
	for i, v := range from {
		worst = max(worst, math.Float32bits(v)&exponent)
		to[i] = float64(v)
	}
	if worst < exponent {
		return -1
	}
	for i, v := range from {
		if math.Float32bits(v)&exponent == exponent {
			return i
		}
	}
	return -1
}

// part is a sound and its gain in a sum.
type part struct {
	x    []float64
	gain float64
}

// addAll adds parts to a sum, sample by sample in their order: four at a time,
// with the same bits as one at a time. Products are rounded before they are
// added: no fused multiply-add may make one processor's mix differ from
// another's.
func addAll(sum []float64, parts []part) {
	for ; len(parts) >= 4; parts = parts[4:] {
		a, b, c, d := parts[0].x[:len(sum)], parts[1].x[:len(sum)], parts[2].x[:len(sum)], parts[3].x[:len(sum)]
		ga, gb, gc, gd := parts[0].gain, parts[1].gain, parts[2].gain, parts[3].gain
		for i, v := range sum {
			v += float64(ga * a[i])
			v += float64(gb * b[i])
			v += float64(gc * c[i])
			v += float64(gd * d[i])
			sum[i] = v
		}
	}
	for _, p := range parts {
		x, g := p.x[:len(sum)], p.gain
		for i, v := range x {
			sum[i] += float64(g * v)
		}
	}
}
