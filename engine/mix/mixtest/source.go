// Package mixtest checks that a mix.Source keeps the contract, over odd block
// sizes. Every source and processor of this program passes it.
package mixtest

import (
	"errors"
	"io"
	"math"

	"cuechoir/engine/mix"
)

// Blocks are the block sizes that catch most mistakes at edges.
var Blocks = [...]int{1, 63, 479, 4096}

// TB is the part of testing.TB that is needed.
type TB interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// maxSamples stops a source that never ends.
const maxSamples = 1 << 26

// CheckSource opens the source anew for each block size, reads it to its end
// and compares: every reading must be want, bit for bit; or, when want is
// nil, the same as the others. It returns the samples.
func CheckSource(t TB, open func() (mix.Source, error), want []float32) []float32 {
	t.Helper()
	for _, block := range Blocks {
		src, err := open()
		if err != nil {
			t.Fatalf("open: %v", err)
		}
		got := readAll(t, src, block)
		if want == nil {
			want = append([]float32{}, got...)
			continue
		}
		if len(got) != len(want) {
			t.Errorf("blocks of %d: %d samples, want %d", block, len(got), len(want))
			continue
		}
		for i := range got {
			if math.Float32bits(got[i]) != math.Float32bits(want[i]) {
				t.Errorf("blocks of %d: sample %d is %g, want %g", block, i, got[i], want[i])
				break
			}
		}
	}
	return want
}

func readAll(t TB, src mix.Source, block int) []float32 {
	t.Helper()
	const guard = 7.5 // beyond what was given, dst must stay as it was
	dst := make([]float32, block+1)
	var out []float32
	for len(out) < maxSamples {
		dst[block] = guard
		n, err := src.Read(dst[:block])
		if n < 0 || n > block {
			t.Fatalf("blocks of %d: Read says %d samples", block, n)
		}
		if dst[block] != guard {
			t.Fatalf("blocks of %d: Read wrote past the end of dst", block)
		}
		for i, v := range dst[:n] {
			if v-v != 0 {
				t.Fatalf("blocks of %d: sample %d is not a finite number", block, len(out)+i)
			}
		}
		out = append(out, dst[:n]...)
		switch {
		case errors.Is(err, io.EOF):
			if n, err := src.Read(dst[:block]); n != 0 || err != io.EOF {
				t.Errorf("blocks of %d: Read after the end gave %d, %v, want 0, EOF", block, n, err)
			}
			return out
		case err != nil:
			t.Fatalf("blocks of %d: %v", block, err)
		case n < block:
			t.Fatalf("blocks of %d: Read gave %d samples and no error", block, n)
		}
	}
	t.Fatalf("blocks of %d: no end after %d samples", block, maxSamples)
	return nil
}
