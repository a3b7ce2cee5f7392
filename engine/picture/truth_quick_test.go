package picture

import "math/rand/v2"

// oddScene is a scene that gives finders of cuts trouble: a card after a card, a
// dark shot, one that is new in every frame.
func oddScene(rng *rand.Rand) scene {
	switch rng.IntN(5) {
	case 0:
		return titleCard(rng)
	case 1:
		s := newScene(rng)
		if !s.card {
			s.mean, s.gain, s.blobs = 20+10*rng.Float64(), 4+4*rng.Float64(), nil
		}
		return s
	case 2:
		s := newScene(rng)
		s.boil = 15 + 30*rng.Float64()
		return s
	}
	return newScene(rng)
}

// boiling is noise of about three points, -1 to 1, another in each frame.
func boiling(x, y int, age float64) float64 {
	z := uint64(x/3)*0x9e3779b97f4a7c15 + uint64(y/3)*0xc2b2ae3d27d4eb4f + uint64(age)*0x165667b19e3779f9
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9 // splitmix64 (Steele, Lea and Flood 2014)
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return float64(int64(z^z>>31)) / (1 << 63)
}
