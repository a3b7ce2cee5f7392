package picture

import (
	"bytes"
	"compress/flate"
	"errors"
	"io"

	"cuechoir/internal/fault"
)

// Aim: a film of stills small enough to be kept, any frame of which is there
// in milliseconds. Method: groups of frames that are coded each on its own:
// fewer greys, a point keeps its grey while the new one is near (grain and
// flicker stay under that), the difference to the frame before or to a guess
// from its neighbours (median edge detector: Weinberger, Seroussi, Sapiro,
// IEEE Trans. Image Processing 9, 2000), then deflate (RFC 1951). Cost: about
// 0.4 ms a frame to write, 2 to 4 ms to read any frame of a group. Known failure:
// pictures of noise alone are kept in few greys, since a frame's bytes are
// bounded.

const (
	stillsGroup   = 16   // frames in a group
	maxGroupBytes = 5000 // for each frame of a group: 4 minutes at 24 frames a second stay under 29 MB
	mostBits      = 6    // greys are told apart by so many bits
	fewestBits    = 2    // at which 160 by 120 points of noise fit
)

// How a frame of a group was guessed.
const (
	fromBefore     = 0 // each point is about as in the frame before; the first frame of a group has none
	fromNeighbours = 1 // each point is about as those beside it
	sameAsBefore   = 2 // nothing follows
)

// groupCoder codes groups. Made with newGroupCoder.
type groupCoder struct {
	w, h  int
	bits  int    // of the last group
	shown []byte // levels of the last frame of the last group, nil before
	out   bytes.Buffer
	z     *flate.Writer
	work  [4][]byte // two frames of levels, two guesses' rests
	half  []byte    // a frame's rests as they are deflated
}

func newGroupCoder(w, h int) *groupCoder {
	c := &groupCoder{w: w, h: h, bits: mostBits}
	// Without matches, aged film takes 11 % less and half the time than with
	// those of level 5, and the example 5 % more: grain repeats by chance alone.
	c.z, _ = flate.NewWriter(io.Discard, flate.HuffmanOnly) // no error: the level exists
	for i := range c.work {
		c.work[i] = make([]byte, w*h)
	}
	return c
}

// code gives a group as it is kept, valid until the next call: a byte that
// says how many bits its greys have, and the deflated frames. It takes fewer
// bits until the group fits, and more again when there is room.
func (c *groupCoder) code(frames [][]byte) ([]byte, error) {
	bits := c.bits
	if c.out.Len()*3 < maxGroupBytes*len(frames) && bits < mostBits && c.out.Len() > 0 {
		bits++
	}
	for ; ; bits-- {
		last, err := c.try(frames, bits)
		if err != nil {
			return nil, err
		}
		if c.out.Len() <= maxGroupBytes*len(frames) || bits == fewestBits {
			c.bits, c.shown = bits, append(c.shown[:0], last...)
			return c.out.Bytes(), nil
		}
	}
}

// try codes a group at so many bits and gives the levels of its last frame.
func (c *groupCoder) try(frames [][]byte, bits int) ([]byte, error) {
	c.out.Reset()
	c.out.WriteByte(byte(bits))
	c.z.Reset(&c.out)
	level, prev := c.work[0], c.work[1]
	has := copy(prev, c.shown) > 0
	mask := byte(1<<bits - 1)
	for i, f := range frames {
		toLevels(level, prev, f, bits, has)
		c.half = c.guess(c.half[:0], level, prev, i == 0, mask)
		if _, err := c.z.Write(c.half); err != nil {
			return nil, err
		}
		level, prev, has = prev, level, true
	}
	return prev, c.z.Close()
}

// guess appends a frame as the guess that leaves the least, and what it leaves.
func (c *groupCoder) guess(to, level, prev []byte, first bool, mask byte) []byte {
	guess, rest := byte(fromNeighbours), c.work[3]
	cost := restFromNeighbours(rest, level, c.w, mask)
	if !first {
		switch t := restFromBefore(c.work[2], level, prev, mask); {
		case t == 0:
			return append(to, sameAsBefore)
		case t < cost:
			guess, rest = fromBefore, c.work[2]
		}
	}
	return packRests(append(to, guess), rest, mask)
}

// toLevels takes the greys of a frame to levels 0 to 2^bits-1. A point keeps
// the level it had while its grey is within three quarters of a step of it.
func toLevels(level, prev, grey []byte, bits int, has bool) {
	top := 1<<bits - 1
	for i, g := range grey {
		v := int(g) * top
		if has {
			if off := v - int(prev[i])*255; 4*off <= 3*255 && 4*off >= -3*255 {
				level[i] = prev[i]
				continue
			}
		}
		level[i] = byte((2*v + 255) / 510)
	}
}

// toGreys turns levels into greys in place; black and white stay.
func toGreys(p []byte, bits int) {
	top := 1<<bits - 1
	var table [1 << 8]byte
	for l := range 1 << bits {
		table[l] = byte((2*l*255 + top) / (2 * top))
	}
	for i, l := range p {
		p[i] = table[l]
	}
}

// far is how far a rest lies from 0, round the circle of levels: what deflate
// will make of it, roughly.
func far(rest, mask byte) int { return int(min(rest, (mask-rest)+1)) }

func restFromBefore(rest, level, prev []byte, mask byte) (cost int) {
	for i, l := range level {
		r := (l - prev[i]) & mask
		rest[i] = r
		cost += far(r, mask)
	}
	return cost
}

func restFromNeighbours(rest, level []byte, w int, mask byte) (cost int) {
	for i, l := range level {
		r := (l - neighbourGuess(level, i, w)) & mask
		rest[i] = r
		cost += far(r, mask)
	}
	return cost
}

// neighbourGuess is the median of left, above, and the plane through both and
// the point above left.
func neighbourGuess(level []byte, i, w int) byte {
	switch {
	case i == 0:
		return 0
	case i < w:
		return level[i-1]
	case i%w == 0:
		return level[i-w]
	}
	left, above, corner := level[i-1], level[i-w], level[i-w-1]
	lo, hi := min(left, above), max(left, above)
	switch {
	case corner >= hi:
		return lo
	case corner <= lo:
		return hi
	}
	return left + above - corner
}

// Rests are packed two to a byte, the first in the low half: 0 to 14 for -7 to
// 7, and farAway for one that follows the halves as a byte of its own.
const farAway = 15

func packRests(to, rest []byte, mask byte) []byte {
	at := len(to)
	to = append(to, make([]byte, (len(rest)+1)/2)...)
	for i, r := range rest {
		code := (r + 7) & mask
		if code >= farAway {
			code = farAway
			to = append(to, r)
		}
		to[at+i/2] |= code << (i % 2 * 4)
	}
	return to
}

// groupReader unpacks groups. The zero value works.
type groupReader struct {
	z    io.ReadCloser // nil before the first group
	half []byte
}

// decode fills greys with a group of n frames, one after the other. Errors:
// Malformed.
func (r *groupReader) decode(greys, code []byte, w, h, n int) error {
	if len(code) < 1 || code[0] < fewestBits || code[0] > mostBits {
		return fault.New(fault.Malformed, "a group of stills is of no known kind")
	}
	r.rewind(code[1:], (w*h+1)/2)
	bits := int(code[0])
	mask := byte(1<<bits - 1)
	var prev []byte
	for k := range n {
		cur := greys[k*w*h : (k+1)*w*h]
		if err := r.frame(cur, prev, w, mask); err != nil {
			return fault.New(fault.Malformed, "a group of stills cannot be unpacked").Because(err)
		}
		prev = cur
	}
	if n, err := r.z.Read(make([]byte, 1)); n != 0 || err != io.EOF {
		return fault.New(fault.Malformed, "a group of stills is longer than it says")
	}
	toGreys(greys[:n*w*h], bits)
	return nil
}

func (r *groupReader) rewind(code []byte, half int) {
	if r.z == nil {
		r.z = flate.NewReader(bytes.NewReader(code))
	} else {
		r.z.(flate.Resetter).Reset(bytes.NewReader(code), nil) // never fails
	}
	if len(r.half) != half {
		r.half = make([]byte, half)
	}
}

// frame reads the levels of one frame; prev is nil for the first of a group.
func (r *groupReader) frame(cur, prev []byte, w int, mask byte) error {
	var guess [1]byte
	if _, err := io.ReadFull(r.z, guess[:]); err != nil {
		return err
	}
	switch {
	case guess[0] == sameAsBefore && prev != nil:
		copy(cur, prev)
		return nil
	case guess[0] == fromNeighbours:
		if err := r.rests(cur, mask); err != nil {
			return err
		}
		for i := range cur {
			cur[i] = (cur[i] + neighbourGuess(cur, i, w)) & mask
		}
		return nil
	case guess[0] == fromBefore && prev != nil:
		if err := r.rests(cur, mask); err != nil {
			return err
		}
		for i, p := range prev {
			cur[i] = (cur[i] + p) & mask
		}
		return nil
	}
	return errGuess
}

var errGuess = errors.New("a frame is of no known kind")

// rests undoes packRests.
func (r *groupReader) rests(rest []byte, mask byte) error {
	if _, err := io.ReadFull(r.z, r.half); err != nil {
		return err
	}
	away := 0
	for i := range rest {
		code := r.half[i/2] >> (i % 2 * 4) & 15
		rest[i] = (code - 7) & mask
		if code == farAway {
			away++
		}
	}
	if away == 0 {
		return nil
	}
	list := make([]byte, away)
	if _, err := io.ReadFull(r.z, list); err != nil {
		return err
	}
	for i := range rest {
		if r.half[i/2]>>(i%2*4)&15 == farAway {
			rest[i] = list[0] & mask
			list = list[1:]
		}
	}
	return nil
}
