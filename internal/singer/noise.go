package singer

// noise is white noise that can be read at any position: a hash of the
// position (splitmix64's finaliser, Steele, Lea & Flood 2014).
type noise struct{ seed uint64 }

// at is uniform in -1 to 1.
func (n noise) at(i int64) float64 {
	z := mix(n.seed, uint64(i))
	return float64(int64(z)>>11) * (1.0 / (1 << 52))
}

func mix(seed, x uint64) uint64 {
	z := seed + (x+1)*0x9e3779b97f4a7c15
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}
