package bounce

import (
	"math"
	"math/rand/v2"
)

// quantizer puts samples on the grid of the file, so that what is measured is
// what is written. 16 bits: dither of triangular density, two steps wide
// (Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither", JAES 40,
// 1992), from a seeded generator, the same on every run; its order is that of
// the samples, so blocks do not matter. 24 bits: rounded, halves away from
// zero. 32-bit float: left alone.
type quantizer struct {
	scale   float64 // steps in 1.0; 0: float
	dither  *rand.PCG
	clipped int64 // samples that the grid could not hold
}

func newQuantizer(bits int, seed uint64) *quantizer {
	switch bits {
	case 16:
		const stream = 0x63756563686f6972
		return &quantizer{scale: 1 << 15, dither: rand.NewPCG(seed, stream)}
	case 24:
		return &quantizer{scale: 1 << 23}
	}
	return &quantizer{}
}

// roundingError bounds how far quantize moves a sample, in full scale.
func roundingError(bits int) float64 {
	if bits == 16 {
		return 1.5 / (1 << 15)
	}
	return 0.5 / (1 << 23) // also more than float32's own rounding below 1
}

func (q *quantizer) quantize(block []float32) {
	if q.scale == 0 {
		return
	}
	for i, x := range block {
		v := float64(x) * q.scale // exact: a power of two
		if q.dither != nil {
			v = math.Floor(v + q.tpdf() + 0.5)
		} else {
			v = math.Round(v)
		}
		if v > q.scale-1 || v < -q.scale {
			q.clipped++
			v = min(max(v, -q.scale), q.scale-1)
		}
		block[i] = float32(v / q.scale)
	}
}

// tpdf is the difference of two uniform numbers: -1 to 1 step, triangular.
func (q *quantizer) tpdf() float64 {
	const half = 1.0 / (1 << 32)
	r := q.dither.Uint64()
	return float64(r>>32)*half - float64(r&math.MaxUint32)*half
}
