package audiofile

import (
	"errors"
	"fmt"
	"math/bits"
)

// The decoder takes memory for a codebook of whatever size the setup header
// names, walks a code tree without end when the tree has holes, and takes up
// to 16 GiB for a residue that ends before it begins. So the header is read
// here first, up to the residues (Vorbis I specification, sections 3.2.1, 4.2.4,
// 6.2.1, 7.2.2 and 8.6.1), held against bounds, and the trees counted full
// (Kraft's sum is 1). What follows is bounded by the width of its fields.
const (
	maxDimensions   = 256     // one codebook; encoders use up to 8
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

func (r *bitReader) skip(n int) {
	r.at += n
	r.over = r.over || r.at > 8*len(r.b)
}

// checkVorbisSetup reads a setup header up to its residues.
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
	for range r.read(6) + 1 {
		if r.read(16) != 0 {
			return errors.New("a time domain transform is not 0")
		}
	}
	for i := range r.read(6) + 1 {
		if err := skipFloor(r); err != nil {
			return fmt.Errorf("floor %d: %w", i, err)
		}
	}
	for i := range r.read(6) + 1 {
		if err := checkResidue(r, books); err != nil {
			return fmt.Errorf("residue %d: %w", i, err)
		}
	}
	if r.over {
		return errors.New("it ends too early")
	}
	return nil
}

// skipFloor goes over one floor.
func skipFloor(r *bitReader) error {
	switch kind := r.read(16); kind {
	case 0:
		r.skip(8 + 16 + 16 + 6 + 8)
		r.skip(8 * int(r.read(4)+1))
	case 1:
		skipFloor1(r)
	default:
		return fmt.Errorf("its kind %d is not known", kind)
	}
	return nil
}

func skipFloor1(r *bitReader) {
	partitions := make([]uint32, r.read(5))
	classes := uint32(1)
	for i := range partitions {
		partitions[i] = r.read(4)
		classes = max(classes, partitions[i]+1)
	}
	points := make([]uint32, classes)
	for i := range points {
		points[i] = r.read(3) + 1
		subclasses := r.read(2)
		if subclasses > 0 {
			r.read(8)
		}
		r.skip(8 << subclasses)
	}
	r.read(2)
	width := r.read(4)
	for _, class := range partitions {
		r.skip(int(points[class] * width))
	}
}

// checkResidue goes over one residue and holds its limits together.
func checkResidue(r *bitReader, books int) error {
	kind, begin, end := r.read(16), r.read(24), r.read(24)
	r.read(24)
	classes := r.read(6) + 1
	classbook := r.read(8)
	if kind > 2 || begin > end || int(classbook) >= books {
		return fmt.Errorf("kind %d from %d to %d by codebook %d is out of bounds", kind, begin, end, classbook)
	}
	stages := 0
	for range classes {
		cascade := r.read(3)
		if r.read(1) == 1 {
			cascade |= r.read(5) << 3
		}
		stages += bits.OnesCount32(cascade)
	}
	r.skip(8 * stages)
	return nil
}

// readCodebook goes over one codebook and gives its entries and values.
func readCodebook(r *bitReader) (entries, values int, err error) {
	if r.read(24) != 0x564342 {
		return 0, 0, errors.New("its mark is missing")
	}
	dimensions := int(r.read(16))
	entries = int(r.read(24))
	if dimensions < 1 || dimensions > maxDimensions || entries < 1 || entries > maxBookEntries {
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
	r.skip(count * width)
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
