package tempo

import (
	"math"
	"math/big"
	"slices"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Maps from beats. Aim: the steadiest map that stays near the beats heard or
// tapped. Method: in the plane of quarters and frames the map is a broken
// line, and beats may lie within a bound of it: the broken line of the fewest
// pieces, and of those the nearest, found by dynamic programming over beats
// and a few places near each (a min-# polygonal curve within a tolerance: Imai
// and Iri 1986), with the wedge of slopes still possible kept from each. Cost:
// beats x length of a piece. Known failure: a piece spans at most maxPiece
// beats, and its ends are sought at five places alone, so that now and then a
// piece more is used than the least.

// Beat is a beat that was heard, tapped or pinned.
type Beat struct {
	Bar, Beat int   // both from 1
	Sample    int64 // on the timeline: 0 is the start of frame 0
}

// BeatOptions say how a map is fitted to beats.
type BeatOptions struct {
	Rate       timecode.Rate
	Frames     int64          // length of the reference
	SampleRate int            // Hz, of the beats
	Style      Style          // Follow or Tapped; "" is Follow
	Metre      Metre          // of every bar; zero is 4/4
	Within     timecode.Ratio // frames that the map may lie off a beat, 1/16 to 100; 0 is 1 frame
	Pins       []Pin          // beats that the map has to keep exactly; they may be among the beats or not
}

// BeatFit is a map and how near it is to the beats.
type BeatFit struct {
	Map     Map
	Largest timecode.Ratio // frames between a beat that is not pinned and the map, never above Within
}

// Bounds of FromBeats.
const (
	maxBeats  = 100_000
	pieceWork = 4_000_000 // beats times beats of the longest piece
	knotGrain = 64        // pieces end on parts of a frame: simple tempos
	// A piece more costs as much as 50 beats at the very bound.
	pieceWeight, nearWeight = 1.0, 0.02
)

// knot is a beat made ready: its quarter, where it was, and where the line may
// bend on it.
type knot struct {
	quarter timecode.Ratio
	q, y    float64 // quarters and frames
	exact   *big.Rat
	places  []timecode.Ratio
	pinned  bool
}

// FromBeats is the map of the fewest tempos that lies within o.Within frames
// of every beat and exactly on pinned ones. At least two beats are needed, in
// order; numbers may be left out where a beat was missed. It fails on beats
// that do not rise and on tempos outside 20 to 400 quarters a minute.
func FromBeats(beats []Beat, o BeatOptions) (BeatFit, error) {
	knots, err := o.knots(beats)
	if err != nil {
		return BeatFit{}, err
	}
	path, err := o.bend(knots)
	if err != nil {
		return BeatFit{}, err
	}
	m := Map{Style: o.Style, Pins: append([]Pin(nil), o.Pins...)}
	first := path[0]
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		length := knots[b.knot].quarter.Sub(knots[a.knot].quarter)
		per := b.frame.Sub(a.frame).Div(length)
		if i == 1 { // back to bar 1 beat 1
			m.Start = first.frame.Sub(knots[first.knot].quarter.Mul(per))
			length = knots[b.knot].quarter
		}
		s := stretch{quarters: length.Rat(), per: per.Rat(), end: per.Rat(), hold: new(big.Rat), metre: o.Metre.orCommon()}
		section, ok := s.section()
		if !ok {
			return BeatFit{}, fault.New(fault.OverLimit, "the tempo from bar %d on is too fine to hold", beats[0].Bar)
		}
		m.Sections = append(m.Sections, section)
	}
	g, err := NewGrid(m, o.Rate, o.Frames)
	if err != nil {
		return BeatFit{}, err
	}
	out := BeatFit{Map: m}
	for _, k := range knots {
		d := g.frameOf(k.quarter.Rat())
		if d.Sub(d, k.exact).Abs(d); !k.pinned && d.Cmp(out.Largest.Rat()) > 0 {
			out.Largest = fit(d)
		}
	}
	return out, nil
}

// check settles the defaults and refuses what is out of range.
func (o *BeatOptions) check(beats []Beat) error {
	if o.Style == "" {
		o.Style = Follow
	}
	if o.Within.Sign() == 0 {
		o.Within = timecode.Int(1)
	}
	switch {
	case o.Rate.Validate() != nil:
		return fault.New(fault.Usage, "a map needs a frame rate").Because(o.Rate.Validate())
	case o.Metre.Validate() != nil:
		return o.Metre.Validate()
	case o.Style != Follow && o.Style != Tapped:
		return fault.New(fault.Usage, "a %s map is not fitted to beats", string(o.Style))
	case o.SampleRate < 1 || o.SampleRate > 1<<20:
		return fault.New(fault.Usage, "a sample rate of %d Hz is out of range", o.SampleRate)
	case o.Within.Cmp(timecode.R(1, 16)) < 0 || o.Within.Cmp(timecode.Int(100)) > 0:
		return fault.New(fault.Usage, "a map cannot be asked to stay within %s frames", o.Within).Mended("ask for 1/16 to 100")
	case len(beats) > maxBeats:
		return fault.New(fault.OverLimit, "%d beats are more than %d", len(beats), maxBeats)
	}
	for _, b := range beats {
		if b.Bar < 1 || b.Bar > maxBars || b.Beat < 1 || b.Beat > o.Metre.Beats() || b.Sample > 1<<40 || b.Sample < -(1<<40) {
			return fault.New(fault.Usage, "beat %d.%d at sample %d is out of range", b.Bar, b.Beat, b.Sample)
		}
	}
	pins := Map{Pins: o.Pins}
	return pins.validatePins()
}

// knots are the beats made ready, with the pins among them.
func (o *BeatOptions) knots(beats []Beat) ([]knot, error) {
	if err := o.check(beats); err != nil {
		return nil, err
	}
	var all []knot
	rest := o.Pins
	for _, b := range beats {
		at := o.quarterOf(b.Bar, b.Beat)
		for len(rest) > 0 && o.quarterOf(rest[0].Bar, rest[0].Beat).Cmp(at) < 0 {
			all, rest = append(all, o.pinKnot(rest[0])), rest[1:]
		}
		if len(rest) > 0 && rest[0].Bar == b.Bar && rest[0].Beat == b.Beat {
			all, rest = append(all, o.pinKnot(rest[0])), rest[1:]
		} else {
			all = append(all, o.beatKnot(at, b.Sample))
		}
	}
	for _, p := range rest {
		all = append(all, o.pinKnot(p))
	}
	if len(all) < 2 {
		return nil, fault.New(fault.NotMet, "a map needs two beats at least, and there are %d", len(all))
	}
	for i := 1; i < len(all); i++ {
		if all[i-1].quarter.Cmp(all[i].quarter) >= 0 || all[i-1].y >= all[i].y {
			return nil, fault.New(fault.NotMet, "the beats around frame %.0f do not rise", all[i].y).
				Mended("take out the beat that is wrong, or unpin the one that is pinned there")
		}
	}
	return all, nil
}

func (o *BeatOptions) quarterOf(bar, beat int) timecode.Ratio {
	return o.Metre.BarQuarters().Mul(timecode.Int(int64(bar - 1))).Add(o.Metre.BeatQuarters().Mul(timecode.Int(int64(beat - 1))))
}

func (o *BeatOptions) pinKnot(p Pin) knot {
	q := o.quarterOf(p.Bar, p.Beat)
	return knot{quarter: q, q: q.Float(), y: float64(p.Frame), exact: new(big.Rat).SetInt64(p.Frame),
		places: []timecode.Ratio{timecode.Int(p.Frame)}, pinned: true}
}

// beatKnot has five places: the beat, and half-way and almost all the way to
// the bound on either side.
func (o *BeatOptions) beatKnot(q timecode.Ratio, sample int64) knot {
	exact := new(big.Rat).SetInt64(sample)
	exact.Mul(exact, big.NewRat(o.Rate.Num, int64(o.SampleRate)*o.Rate.Den))
	y, _ := exact.Float64()
	k := knot{quarter: q, q: q.Float(), y: y, exact: exact}
	for _, part := range []int64{0, -32, 32, -60, 60} {
		at := new(big.Rat).Mul(o.Within.Rat(), big.NewRat(part, 64))
		at.Add(at, exact).Mul(at, big.NewRat(knotGrain, 1))
		place := timecode.R(timecode.RoundRat(at), knotGrain)
		if off := new(big.Rat).Sub(place.Rat(), exact); cmpAbs(off, o.Within.Rat()) <= 0 && !slices.Contains(k.places, place) {
			k.places = append(k.places, place)
		}
	}
	return k
}

// bendPoint is a place where the line bends.
type bendPoint struct {
	knot  int
	frame timecode.Ratio
}

// bend finds the broken line.
func (o *BeatOptions) bend(knots []knot) ([]bendPoint, error) {
	slow, fast := 60*o.Rate.Float()/minBPM, 60*o.Rate.Float()/maxBPM // frames a quarter
	sums := beatSums(knots)
	within := o.Within.Float()
	reach := max(pieceWork/len(knots), 256)
	best := make([][]bendState, len(knots))
	for i := range knots {
		best[i] = make([]bendState, len(knots[i].places))
		for a := range best[i] {
			if best[i][a].cost = math.Inf(1); i == 0 {
				best[i][a].cost = nearWeight * sq((knots[0].places[a].Float()-knots[0].y)/within)
			}
		}
	}
	for i := range knots {
		for a, place := range knots[i].places {
			from := &best[i][a]
			if math.IsInf(from.cost, 1) {
				continue
			}
			v, lo, hi := place.Float(), fast, slow
			for j := i + 1; j < len(knots) && j-i <= reach && lo <= hi; j++ {
				x := knots[j].q - knots[i].q
				for b, end := range knots[j].places {
					slope := (end.Float() - v) / x
					if slope < lo || slope > hi {
						continue
					}
					cost := from.cost + pieceWeight + nearWeight*sums.error(i, j, knots[i].q, v, slope)/(within*within)
					if to := &best[j][b]; cost < to.cost {
						*to = bendState{cost, i, a}
					}
				}
				if knots[j].pinned {
					break
				}
				lo = max(lo, (knots[j].y-within-v)/x+1e-9)
				hi = min(hi, (knots[j].y+within-v)/x-1e-9)
			}
		}
	}
	return traceBend(knots, best)
}

type bendState struct {
	cost       float64
	knot, from int
}

func traceBend(knots []knot, best [][]bendState) ([]bendPoint, error) {
	last := len(knots) - 1
	a := 0
	for b := range best[last] {
		if best[last][b].cost < best[last][a].cost {
			a = b
		}
	}
	if math.IsInf(best[last][a].cost, 1) {
		return nil, fault.New(fault.NotMet, "no map of %d to %d quarters a minute follows these beats", minBPM, maxBPM).
			Mended("take out beats that are wrong, or allow the map to lie further off")
	}
	var path []bendPoint
	for i := last; ; {
		path = append(path, bendPoint{i, knots[i].places[a]})
		if i == 0 {
			break
		}
		s := best[i][a]
		i, a = s.knot, s.from
	}
	slices.Reverse(path)
	return path, nil
}

// sumsOf carries running sums, so that the squared error of a line over any
// stretch of beats is known at once. Frames are taken from the line that joins
// the first beat and the last: small numbers keep their digits.
type sumsOf struct {
	q0, y0, trend    float64
	q, y, qq, qy, yy []float64
}

func beatSums(knots []knot) sumsOf {
	first, last := knots[0], knots[len(knots)-1]
	s := sumsOf{q0: first.q, y0: first.y, trend: (last.y - first.y) / (last.q - first.q)}
	add := func(to *[]float64, x float64) {
		if n := len(*to); n > 0 {
			x += (*to)[n-1]
		}
		*to = append(*to, x)
	}
	for _, k := range knots {
		q := k.q - s.q0
		y := k.y - s.y0 - s.trend*q
		add(&s.q, q)
		add(&s.y, y)
		add(&s.qq, q*q)
		add(&s.qy, q*y)
		add(&s.yy, y*y)
	}
	return s
}

// error is the sum over knots i+1 to j of (v + slope*(q-q0) - y)².
func (s *sumsOf) error(i, j int, q, v, slope float64) float64 {
	c := v - s.y0 - slope*(q-s.q0) // the line at the first beat
	m := slope - s.trend
	d := func(x []float64) float64 { return x[j] - x[i] }
	return max(0, c*c*float64(j-i)+m*m*d(s.qq)+d(s.yy)+2*c*m*d(s.q)-2*c*d(s.y)-2*m*d(s.qy))
}

func sq(x float64) float64 { return x * x }
