package audiofile

import (
	"bytes"
	"testing"
)

// bitWriter packs numbers as Vorbis does.
type bitWriter struct {
	b  []byte
	at int
}

func (w *bitWriter) put(v uint32, n int) *bitWriter {
	for i := range n {
		if w.at%8 == 0 {
			w.b = append(w.b, 0)
		}
		w.b[w.at/8] |= byte(v>>i&1) << (w.at % 8)
		w.at++
	}
	return w
}

// book starts a setup header of one codebook.
func book(dimensions, entries uint32) *bitWriter {
	w := &bitWriter{b: []byte("\x05vorbis"), at: 7 * 8}
	return w.put(0, 8).put(0x564342, 24).put(dimensions, 16).put(entries, 24)
}

// lengths writes code lengths one by one.
func (w *bitWriter) lengths(ls ...uint32) *bitWriter {
	w.put(0, 2)
	for _, l := range ls {
		w.put(l-1, 5)
	}
	return w
}

// rest writes what follows the codebooks: no transform, one floor of each
// kind, one residue of three classes.
func (w *bitWriter) rest(begin, end, classbook uint32) *bitWriter {
	w.put(0, 6).put(0, 16)
	w.put(1, 6)
	w.put(0, 16).put(5, 8).put(44100, 16).put(64, 16).put(6, 6).put(100, 8).put(1, 4).put(0, 16)
	w.put(1, 16).put(2, 5).put(0, 4).put(1, 4) // two partitions of two classes
	w.put(1, 3).put(0, 2).put(0, 8)            // two points, one book
	w.put(0, 3).put(1, 2).put(0, 8).put(0, 16) // one point, a master book, two books
	w.put(1, 2).put(7, 4).put(0, 3*7)
	w.put(0, 6).put(2, 16).put(begin, 24).put(end, 24).put(31, 24).put(2, 6).put(classbook, 8)
	w.put(1, 3).put(0, 1).put(2, 3).put(1, 1).put(16, 5).put(0, 3).put(0, 1) // 1 + 2 + 0 stages
	return w.put(0, 24)
}

// manyValues is a codebook of 4096 entries of 12 bits with 256 values each.
func manyValues() *bitWriter {
	w := book(256, 4096).put(0, 2)
	for range 4096 {
		w.put(11, 5)
	}
	return w.put(1, 4).put(0, 32).put(0, 32).put(0, 5).put(0, 90)
}

// Codebooks that would cost the decoder memory or time are refused; sound ones
// of the same shape are not.
func TestVorbisCodebooks(t *testing.T) {
	for _, c := range []struct {
		name string
		w    *bitWriter
		ok   bool
	}{
		{"nothing behind", book(1, 3).lengths(1, 2, 2).put(0, 4), false},
		{"a residue that ends before it begins", book(1, 3).lengths(1, 2, 2).put(0, 4).rest(9, 8, 0), false},
		{"a residue of no length", book(1, 3).lengths(1, 2, 2).put(0, 4).rest(9, 9, 0), true},
		{"a residue by a codebook that is not there", book(1, 3).lengths(1, 2, 2).put(0, 4).rest(9, 10, 1), false},
		{"a full tree", book(1, 3).lengths(1, 2, 2).put(0, 4).rest(0, 64, 0), true},
		{"a hole", book(1, 3).lengths(1, 2, 3).put(0, 4), false},
		{"too many leaves", book(1, 3).lengths(1, 1, 2).put(0, 4), false},
		{"no dimensions", book(0, 3).lengths(1, 2, 2).put(0, 4), false},
		{"no entries", book(1, 0).put(0, 2).put(0, 4), false},
		{"2^24-1 entries", book(1, 1<<24-1).put(1, 1).put(0, 5).put(0, 30), false},
		{"one entry of many, sparse", book(1, 3).put(2, 2).put(1, 1).put(0, 5).put(0, 2).put(0, 4).rest(0, 64, 0), true},
		{"none used, sparse", book(1, 3).put(2, 2).put(0, 3).put(0, 4), false},
		{"ordered", book(1, 3).put(1, 1).put(0, 5).put(1, 2).put(2, 2).put(0, 4).rest(0, 64, 0), true},
		{"ordered, no step ever", book(1, 3).put(1, 1).put(0, 5).put(0, 400), false},
		{"ordered, more than there are", book(1, 3).put(1, 1).put(0, 5).put(1, 2).put(3, 2).put(0, 4), false},
		{"values", book(2, 4).lengths(2, 2, 2, 2).put(1, 4).put(0, 32).put(0, 32).put(3, 4).put(0, 1).put(0, 8).rest(0, 64, 0), true},
		{"values cut off", book(2, 4).lengths(2, 2, 2, 2).put(2, 4).put(0, 32).put(0, 32).put(15, 4).put(0, 1).put(0, 100), false},
		{"65535 dimensions", book(65535, 3).lengths(1, 2, 2).put(0, 4), false},
		{"2^20 values", manyValues(), false},
		{"values of kind 3", book(1, 3).lengths(1, 2, 2).put(3, 4).put(0, 99), false},
	} {
		if err := checkVorbisSetup(c.w.b); (err == nil) != c.ok {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	for entries, want := range map[[2]int]int{{81, 4}: 3, {80, 4}: 2, {6561, 8}: 3, {1, 9}: 1, {15625, 2}: 125} {
		if got := latticeSize(entries[0], entries[1]); got != want {
			t.Errorf("latticeSize(%v) = %d, want %d", entries, got, want)
		}
	}
}

// A packet laid out as pages comes back from them, whatever its length.
func TestOggPagesRoundTrip(t *testing.T) {
	for _, n := range []int{0, 1, 254, 255, 256, 510, 254*255 - 1, 254 * 255, 254*255 + 1, 200000} {
		packet := bytes.Repeat([]byte("0123456789abcde"), n/15+1)[:n]
		b, sequence := appendOggPages(nil, packet, oggFirst, 77, 5)
		w := &window{r: bytes.NewReader(b), size: int64(len(b))}
		var got []byte
		ended := 0
		at := int64(0)
		for seq := uint32(5); at < w.size; seq++ {
			p, err := oggPageAt(w, at, "x")
			must(t, err)
			if p.sequence != seq || p.serial != 77 || (p.flags == oggFirst) != (seq == 5) {
				t.Fatalf("%d bytes: page %d has number %d, serial %d, flags %d", n, seq, p.sequence, p.serial, p.flags)
			}
			for _, l := range p.lacing {
				if l < 255 {
					ended++
				}
			}
			got = append(got, p.body...)
			at = p.end()
			if at == w.size && sequence != seq+1 {
				t.Errorf("%d bytes: the next number is %d, want %d", n, sequence, seq+1)
			}
		}
		if !bytes.Equal(got, packet) || ended != 1 {
			t.Errorf("%d bytes came back as %d in %d packets", n, len(got), ended)
		}
	}
}
