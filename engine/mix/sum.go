package mix

// widen makes 64-bit samples and tells the index of the first that is not a
// finite number, -1 for none. What is finite less itself is 0, all else is no
// number, and a sum keeps that.
func widen(to []float64, from []float32) int {
	to = to[:len(from)]
	sum, other := 0.0, 0.0
	rest, x := to, from
	for ; len(x) >= 8; rest, x = rest[8:], x[8:] {
		f, t := (*[8]float32)(x), (*[8]float64)(rest)
		a, b, c, d := float64(f[0]), float64(f[1]), float64(f[2]), float64(f[3])
		t[0], t[1], t[2], t[3] = a, b, c, d
		e, g, h, i := float64(f[4]), float64(f[5]), float64(f[6]), float64(f[7])
		t[4], t[5], t[6], t[7] = e, g, h, i
		sum += ((a - a) + (b - b)) + ((c - c) + (d - d))
		other += ((e - e) + (g - g)) + ((h - h) + (i - i))
	}
	for i, v := range x {
		rest[i] = float64(v)
		sum += rest[i] - rest[i]
	}
	if sum+other == 0 {
		return -1
	}
	for i, v := range to {
		if v-v != 0 {
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
