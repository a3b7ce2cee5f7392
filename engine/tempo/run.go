package tempo

import (
	"math"
	"math/big"

	"cuechoir/engine/timecode"
)

// tempoRun is a stretch of one tempo or one glide from a quarter on: quarter x
// of it lies at frame + per*x + bend*x*x. Exact rationals, in frames.
type tempoRun struct {
	quarter, frame, per *big.Rat
	bend                *big.Rat // nil when the tempo stays
	held                *big.Rat // frames for which the beat before it was held, or nil
}

// at is the exact frame of a quarter. Before a glide its first tempo runs back.
func (t *tempoRun) at(quarter *big.Rat) *big.Rat {
	x := new(big.Rat).Sub(quarter, t.quarter)
	y := new(big.Rat).Mul(x, t.per)
	if t.bend != nil && x.Sign() > 0 {
		y.Add(y, x.Mul(x.Mul(x, x), t.bend))
	}
	return y.Add(y, t.frame)
}

// perAt is the frames a quarter lasts at a quarter.
func (t *tempoRun) perAt(quarter *big.Rat) *big.Rat {
	p := new(big.Rat).Set(t.per)
	if x := new(big.Rat).Sub(quarter, t.quarter); t.bend != nil && x.Sign() > 0 {
		p.Add(p, x.Mul(x.Add(x, x), t.bend))
	}
	return p
}

// inverse is the quarter of a frame: exact where the tempo stays. In a glide,
// which ends at the quarter end, it is the last 1/2^20 of a quarter that does
// not lie after the frame, so that bar lines and beats, which are such parts,
// keep their side.
func (t *tempoRun) inverse(frame, end *big.Rat) *big.Rat {
	y := new(big.Rat).Sub(frame, t.frame)
	if t.bend == nil || y.Sign() <= 0 {
		y.Quo(y, t.per)
		return y.Add(y, t.quarter)
	}
	after := func(n int64) bool { return t.at(big.NewRat(n, fitDen)).Cmp(frame) > 0 }
	limit := floor(new(big.Rat).Mul(end, big.NewRat(fitDen, 1))) + 1
	lo := min(t.guess(y), limit-1)
	for step := int64(1); after(lo); step *= 2 {
		lo -= step
	}
	hi := min(lo+1, limit)
	for step := int64(1); hi < limit && !after(hi); step *= 2 {
		hi = min(hi+step, limit)
	}
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; after(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return big.NewRat(lo, fitDen)
}

// guess is near the quarter that lies y frames into a glide, in parts of
// 1/fitDen; a float suffices where the search mends it.
func (t *tempoRun) guess(y *big.Rat) int64 {
	q, _ := t.quarter.Float64()
	f, _ := y.Float64()
	p, _ := t.per.Float64()
	b, _ := t.bend.Float64()
	x := f / p
	if root := p*p + 4*b*f; root >= 0 {
		x = 2 * f / (p + math.Sqrt(root)) // the stable form of the quadratic's root
	}
	return int64((q + x) * fitDen)
}

// bendOf is half the change of the period a quarter, nil for a section whose
// tempo stays.
func bendOf(s Section) *big.Rat {
	if !s.Glides() {
		return nil
	}
	b := s.EndFramesPerQuarter.Rat()
	b.Sub(b, s.FramesPerQuarter.Rat())
	return b.Quo(b, twice(s.Quarters()))
}

func twice(r timecode.Ratio) *big.Rat { x := r.Rat(); return x.Add(x, x) }

// frames is how long a section lasts without its hold.
func (s Section) frames() *big.Rat {
	x := s.FramesPerQuarter.Rat()
	x.Add(x, s.EndPeriod().Rat())
	x.Mul(x, s.Quarters().Rat())
	return x.Mul(x, big.NewRat(1, 2))
}
