package cutlist

import (
	"fmt"
	"math/big"
	"strings"
)

const (
	// maxNesting is how deep tracks and stacks may stand in each other.
	maxNesting = 32

	// maxDenominator bounds the denominator of a place on the film, in bits:
	// sums of times at a few rates stay far below it, sums at thousands of
	// invented rates would grow without end.
	maxDenominator = 512
)

// stretch is one item of a track as it is seen. Times are seconds, exact.
type stretch struct {
	length  *big.Rat
	black   bool
	name    string
	path    string
	into    *blend // the transition into it
	carried carried
}

// blend is a transition around the start of a stretch.
type blend struct {
	before, after *big.Rat
	wipe          bool
	path          string
	carried       carried
}

// mark is a marker at a time of its strip.
type mark struct {
	at   *big.Rat
	name string
	path string
}

// strip is a composition opened up: stretches end to end from time 0.
type strip struct {
	stretches []stretch
	markers   []mark
	torn      bool // an item could not be placed: the strip ends early, and nothing after it has a place
}

func (s strip) length() *big.Rat {
	sum := new(big.Rat)
	for _, x := range s.stretches {
		sum.Add(sum, x.length)
	}
	return sum
}

func (s *strip) pad(length *big.Rat, path string) {
	if length.Sign() > 0 {
		s.stretches = append(s.stretches, stretch{length: length, black: true, path: path})
	}
}

// composition opens a Track or a Stack up and trims it to its source range.
func (r *otioReader) composition(n node, depth int) (strip, error) {
	if depth > maxNesting {
		return strip{}, fmt.Errorf("tracks and stacks are nested deeper than %d", maxNesting)
	}
	var s strip
	var err error
	if isTrack(n.schema()) {
		s = r.track(n, depth)
	} else if s, err = r.stack(n, depth); err != nil {
		return strip{}, err
	}
	s.markers = append(s.markers, r.markers(n, new(big.Rat))...)
	rng, ok := n.child("source_range")
	if !ok {
		return s, nil
	}
	start, duration, err := r.timeRange(rng)
	if err != nil {
		return strip{}, err
	}
	return r.trim(s, start, duration, rng.path), nil
}

// stack is the picture of a stack: its first child that is not sound, and
// black after it when another child is longer.
func (r *otioReader) stack(n node, depth int) (strip, error) {
	var picture strip
	found, torn := false, false
	whole := new(big.Rat)
	for _, c := range n.children("children") {
		sound := isTrack(c.schema()) && c.text("kind") != "Video" && c.text("kind") != ""
		if !sound && !found {
			found = true
			var err error
			if picture, err = r.item(c, depth+1); err != nil {
				return strip{}, err
			}
			continue
		}
		quiet := otioReader{a: r.a}
		other, err := quiet.item(c, depth+1)
		if err != nil {
			r.tell(c.path, false, "%v", err)
			continue
		}
		whole = maxRat(whole, other.length())
		torn = torn || other.torn
		for _, x := range other.stretches {
			if !sound && !x.black && x.length.Sign() > 0 {
				r.tell(c.path, false, "only the first video track is read; this one lies over it")
				break
			}
		}
	}
	if !found {
		r.tell(n.path, false, "there is no video track")
	}
	if depth > 0 { // in a track, what follows begins after the longest
		picture.pad(new(big.Rat).Sub(whole, picture.length()), n.path)
		picture.torn = picture.torn || torn
	}
	return picture, nil
}

// track puts its items end to end. An item whose length is not known ends it,
// since nothing after it could be placed.
func (r *otioReader) track(n node, depth int) strip {
	var s strip
	var pending *blend
	at := new(big.Rat)
	items := n.children("children")
	for i, c := range items {
		if c.schema() == "Transition" {
			b, err := r.transition(c)
			switch {
			case err != nil:
				r.tell(c.path, false, "%v", err)
			case pending != nil:
				r.tell(c.path, false, "a transition follows another, with nothing between them")
			default:
				pending = &b
			}
			continue
		}
		sub, err := r.item(c, depth+1)
		if err == nil {
			next := new(big.Rat).Add(at, sub.length())
			if next.Cmp(longest) > 0 || next.Denom().BitLen() > maxDenominator {
				err = fmt.Errorf("the film is longer than %s seconds, or at too many unlike rates", longest.RatString())
			}
			s.torn = sub.torn
			for _, m := range sub.markers {
				s.markers = append(s.markers, mark{m.at.Add(m.at, at), m.name, m.path})
			}
			at = next
		}
		if err != nil {
			r.tell(c.path, false, "%v; the %d items after it have no place", err, len(items)-1-i)
			s.torn = true
			return s
		}
		if pending != nil {
			if len(sub.stretches) == 0 {
				sub.stretches = []stretch{{length: new(big.Rat), black: true, path: c.path}}
			}
			sub.stretches[0].into, pending = pending, nil
		}
		s.stretches = append(s.stretches, sub.stretches...)
		if s.torn {
			if n := len(items) - 1 - i; n > 0 {
				r.tell(c.path, false, "its length is not known; the %d items after it have no place", n)
			}
			return s
		}
	}
	if pending != nil { // into nothing: a fade-out
		s.stretches = append(s.stretches, stretch{length: new(big.Rat), black: true, path: pending.path, into: pending})
	}
	return s
}

// item is one item of a track or stack. The error says why its length is not
// known.
func (r *otioReader) item(c node, depth int) (strip, error) {
	if c.m == nil {
		return strip{}, fmt.Errorf("this is not an object")
	}
	schema := c.schema()
	enabled, has := c.m["enabled"].(bool)
	hiddenItem := has && !enabled // OTIO: as if a gap stood there
	if isTrack(schema) || schema == "Stack" {
		s, err := r.composition(c, depth)
		if err == nil && hiddenItem {
			s = strip{stretches: []stretch{{length: s.length(), black: true, path: c.path}}}
		}
		return s, err
	}
	start, duration, err := r.itemRange(c)
	if err != nil {
		return strip{}, err
	}
	x := stretch{length: duration, path: c.path, carried: r.kept(c)}
	x.black = hiddenItem || schema == "Gap" || schema == "Filler" || blackSource(c)
	if !x.black {
		x.name = r.name(c, "name")
	}
	if schema != "Clip" && !x.black {
		r.tell(c.path, true, "items of the kind %q are not known: taken for a shot", clip(c.text("OTIO_SCHEMA")))
	}
	s := strip{stretches: []stretch{x}}
	for _, m := range r.markers(c, start) {
		if m.at.Sign() < 0 || m.at.Cmp(duration) > 0 {
			r.tell(m.path, false, "the marker lies outside its item")
			continue
		}
		s.markers = append(s.markers, m)
	}
	return s, nil
}

// itemRange is the part of its source that an item shows: its source range,
// else what its media has.
func (r *otioReader) itemRange(c node) (start, duration *big.Rat, err error) {
	if rng, ok := c.child("source_range"); ok {
		return r.timeRange(rng)
	}
	if media, ok := mediaOf(c); ok {
		if rng, ok := media.child("available_range"); ok {
			return r.timeRange(rng)
		}
	}
	return nil, nil, fmt.Errorf("neither source_range nor available_range says how long it is")
}

// mediaOf is a clip's media: of Clip.1 the one, of Clip.2 the active one.
func mediaOf(c node) (node, bool) {
	if m, ok := c.child("media_reference"); ok {
		return m, true
	}
	all, ok := c.child("media_references")
	if !ok {
		return node{}, false
	}
	key := c.text("active_media_reference_key")
	if key == "" {
		key = "DEFAULT_MEDIA"
	}
	return all.child(key)
}

// blackSource says whether a clip shows generated black.
func blackSource(c node) bool {
	m, ok := mediaOf(c)
	return ok && m.schema() == "GeneratorReference" && strings.EqualFold(m.text("generator_kind"), "black")
}

func (r *otioReader) transition(c node) (blend, error) {
	before, err := r.seconds(c, "in_offset")
	if err != nil {
		return blend{}, err
	}
	after, err := r.seconds(c, "out_offset")
	if err != nil {
		return blend{}, err
	}
	if before.Sign() < 0 || after.Sign() < 0 {
		return blend{}, fmt.Errorf("an offset is negative")
	}
	// no list of types is closed; those that are wipes say so
	wipe := strings.Contains(strings.ToLower(c.text("transition_type")), "wipe")
	return blend{before, after, wipe, c.path, r.kept(c)}, nil
}

// markers are an object's markers, start being the time of its source that
// stands first.
func (r *otioReader) markers(n node, start *big.Rat) []mark {
	var out []mark
	for _, m := range n.children("markers") {
		rng, ok := m.child("marked_range")
		if m.schema() != "Marker" || !ok {
			r.tell(m.path, false, "this is not a Marker with a marked_range")
			continue
		}
		at, _, err := r.timeRange(rng)
		if err != nil {
			r.tell(m.path, false, "%v", err)
			continue
		}
		field := "name"
		if m.text(field) == "" {
			field = "comment"
		}
		out = append(out, mark{at.Sub(at, start), r.name(m, field), m.path})
	}
	return out
}

// trim keeps what lies between start and start+duration, black where there is
// nothing.
func (r *otioReader) trim(s strip, start, duration *big.Rat, path string) strip {
	end := new(big.Rat).Add(start, duration)
	var out strip
	out.pad(minRat(new(big.Rat).Neg(start), duration), path)
	at := new(big.Rat)
	for _, x := range s.stretches {
		next := new(big.Rat).Add(at, x.length)
		atEnd := x.into != nil && x.into.before.Sign() > 0 && at.Cmp(end) == 0 // the mix is seen, what it comes to is not
		inside := at.Cmp(start) > 0 && (at.Cmp(end) < 0 || atEnd)              // its beginning is seen
		from, to := maxRat(at, start), minRat(next, end)
		if x.into != nil && inside {
			b := *x.into
			b.before, b.after = minRat(b.before, new(big.Rat).Sub(at, start)), minRat(b.after, new(big.Rat).Sub(end, at))
			x.into = &b
		} else if x.into != nil {
			if next.Cmp(start) >= 0 && at.Cmp(end) <= 0 && at.Sign() > 0 {
				r.tell(x.into.path, false, "the transition lies where its track is trimmed")
			}
			if at.Sign() > 0 || start.Sign() > 0 {
				x.into = nil
			}
		}
		if !inside && at.Cmp(start) < 0 {
			x.carried = carried{}
		}
		if x.length = new(big.Rat).Sub(to, from); x.length.Sign() > 0 || x.length.Sign() == 0 && inside {
			out.stretches = append(out.stretches, x)
		}
		at = next
	}
	out.pad(new(big.Rat).Sub(end, maxRat(at, start)), path)
	for _, m := range s.markers {
		if m.at.Cmp(start) < 0 || m.at.Cmp(end) > 0 {
			r.tell(m.path, false, "the marker lies outside the trimmed track")
			continue
		}
		out.markers = append(out.markers, mark{new(big.Rat).Sub(m.at, start), m.name, m.path})
	}
	return out
}
