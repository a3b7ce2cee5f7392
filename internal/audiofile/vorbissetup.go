package audiofile

import (
	"errors"
	"fmt"
	"math/bits"
)

// The decoder takes memory for a codebook of whatever size the setup header
// names, and walks a code tree without end when the tree has holes. So the
// codebooks are read here first (Vorbis I specification, section 3.2.1), held
// against bounds, and their trees counted full (Kraft's sum is 1). What
// follows the codebooks is bounded by the width of its fields.
const (
	maxBookEntries  = 1 << 14 // one codebook
	maxSetupEntries = 1 << 16 // all of them
	maxSetupValues  = 1 << 19 // entries times dimensions, all of them
)

// bitReader reads numbers of the Vorbis bit packing (section 2): from the low
// bits of each byte up. Behind the end it gives zeros and says so in `over`.
type bitReader struct {
	b    []byte
	at   int // bit
	over bool
}

func (r *bitReader) read(n int) uint32 {
	var v uint32
	for i := range n {
		if r.at>>3 >= len(r.b) {
			r.over = true
			return 0
		}
		v |= uint32(r.b[r.at>>3]>>(r.at&7)&1) << i
		r.at++
	}
	return v
}

// checkVorbisSetup reads the codebooks of a setup header.
func checkVorbisSetup(p []byte) error {
	if len(p) < 8 || string(p[:7]) != "\x05vorbis" {
		return errors.New("it is not there")
	}
	r := &bitReader{b: p[7:]}
	entries, values := 0, 0
	books := int(r.read(8)) + 1
	for i := range books {
		e, v, err := readCodebook(r)
		if err == nil && r.over {
			err = errors.New("it ends too early")
		}
		if err != nil {
			return fmt.Errorf("codebook %d: %w", i, err)
		}
		if entries += e; entries > maxSetupEntries {
			return fmt.Errorf("the codebooks have over %d entries", maxSetupEntries)
		}
		if values += v; values > maxSetupValues {
			return fmt.Errorf("the codebooks have over %d values", maxSetupValues)
		}
	}
	return nil
}

// readCodebook goes over one codebook and gives its entries and values.
func readCodebook(r *bitReader) (entries, values int, err error) {
	if r.read(24) != 0x564342 {
		return 0, 0, errors.New("its mark is missing")
	}
	dimensions := int(r.read(16))
	entries = int(r.read(24))
	if dimensions < 1 || entries < 1 || entries > maxBookEntries {
		return 0, 0, fmt.Errorf("%d entries of %d dimensions are out of bounds", entries, dimensions)
	}
	sum, used := readCodeLengths(r, entries)
	if sum != 1<<32 && used != 1 {
		return 0, 0, errors.New("its code tree is not full")
	}
	kind := r.read(4)
	if kind == 0 {
		return entries, 0, nil
	}
	if kind > 2 {
		return 0, 0, fmt.Errorf("values of kind %d are not known", kind)
	}
	values = entries * dimensions
	if values > maxSetupValues {
		return 0, 0, fmt.Errorf("%d values are out of bounds", values)
	}
	r.read(32)
	r.read(32)
	width := int(r.read(4)) + 1
	r.read(1)
	count := values
	if kind == 1 {
		count = latticeSize(entries, dimensions)
	}
	r.at += count * width
	r.over = r.over || r.at > 8*len(r.b)
	return entries, values, nil
}

// readCodeLengths reads the lengths of the code words and gives Kraft's sum in
// units of 2^-32, and how many entries are used.
func readCodeLengths(r *bitReader, entries int) (sum uint64, used int) {
	if r.read(1) == 0 {
		sparse := r.read(1) == 1
		for i := 0; i < entries && !r.over; i++ {
			if !sparse || r.read(1) == 1 {
				sum += 1 << (31 - r.read(5))
				used++
			}
		}
		return sum, used
	}
	length := int(r.read(5)) + 1
	for used < entries && !r.over && length <= 32 {
		n := int(r.read(bits.Len(uint(entries - used))))
		if n > entries-used {
			return 0, 0
		}
		sum += uint64(n) << (32 - length)
		used += n
		length++
	}
	if used < entries {
		return 0, 0
	}
	return sum, used
}

// latticeSize is the largest n with n^dimensions <= entries (section 9.2.3,
// lookup1_values).
func latticeSize(entries, dimensions int) int {
	n := 1
	for fits(n+1, dimensions, entries) {
		n++
	}
	return n
}

func fits(n, dimensions, entries int) bool {
	p := 1
	for range dimensions {
		if p *= n; p > entries {
			return false
		}
	}
	return true
}
