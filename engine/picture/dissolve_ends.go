package picture

// pursuit is what pursuing some ends found.
type pursuit struct {
	ends
	from, to int // the frames that tell of it
	a, z     int // the whole ones beside it
}

// pursued makes plates of both shots beside the ends, follows them, and moves the
// ends to where that explains the frames best.
func (f *fitting) pursued(h ends) (p pursuit) {
	p.a, p.z, p.from, p.to = f.about(h)
	f.plates[0].take(f, p.a, max(f.lo, h.s-plateGuard-plateFrames), max(p.a+1, h.s-plateGuard))
	f.plates[1].take(f, p.z, min(p.z, h.e+plateGuard), min(f.hi, h.e+plateGuard+plateFrames))
	f.follow(p.a, p.z, p.from, p.to)
	f.takeCosts(p.from, p.to)
	p.ends = f.costs.bestEnds(h, p.from, p.to)
	return p
}

// rampMoves is how far one round moves an end, in frames.
const rampMoves = 9
