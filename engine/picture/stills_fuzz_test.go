package picture

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// FuzzStillsFile feeds whole files: no panic, no picture from a broken one
// without an error, no memory beyond what a file of that length can need.
func FuzzStillsFile(f *testing.F) {
	for _, n := range []int{1, stillsGroup + 1} {
		to := writeFilm(f, n, 12, 9, func(k int, pix []byte) {
			for i := range pix {
				pix[i] = byte(i * k)
			}
		})
		b, err := os.ReadFile(filepath.Join(to.Root.Name(), to.Name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
		f.Add(b[:len(b)-1])
	}
	f.Add([]byte(stillsHead + stillsEnd))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := OpenStills(bytes.NewReader(b), int64(len(b)), "stills.grey")
		if err != nil {
			told(t, "a file", err)
			return
		}
		w, h := s.Size()
		pix := make([]byte, w*h)
		for _, k := range []int64{0, s.Frames() / 2, s.Frames() - 1} {
			if err := s.At(k, pix); err != nil {
				told(t, "a still", err)
			}
		}
		if err := s.Check(); err != nil {
			told(t, "a file", err)
		}
	})
}

// FuzzStillsGroup feeds what stands behind the checksums; and what is coded
// comes back.
func FuzzStillsGroup(f *testing.F) {
	c := newGroupCoder(12, 9)
	code, err := c.code(film(3, 12, 9, func(k int, pix []byte) {
		for i := range pix {
			pix[i] = byte(i * i * k)
		}
	}))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(bytes.Clone(code), 3)
	f.Add(bytes.Clone(code), 4)
	f.Add([]byte{6, 3, 0}, 1)
	f.Add([]byte{}, 16)
	f.Fuzz(func(t *testing.T, b []byte, n int) {
		if n < 1 || n > stillsGroup {
			return
		}
		const w, h = 12, 9
		greys := make([]byte, n*w*h)
		var r groupReader
		if err := r.decode(greys, b, w, h, n); err != nil {
			return
		}
		again, err := newGroupCoder(w, h).code(film(n, w, h, func(k int, pix []byte) { copy(pix, greys[k*w*h:]) }))
		if err != nil {
			t.Fatal(err)
		}
		back := make([]byte, len(greys))
		if err := r.decode(back, again, w, h, n); err != nil {
			t.Fatalf("what was just coded cannot be unpacked: %v", err)
		}
	})
}

// The films of the benchmarks: the example's trailer, and one aged.
func benchFilms(b *testing.B, do func(b *testing.B, name string, frames [][]byte, w, h int)) {
	to := target(b)
	if _, err := MakeStills(b.Context(), filepath.Join("..", "..", "projects-example", "trailer.mp4"), Options{Stills: to}); err != nil {
		b.Fatal(err)
	}
	s, _ := openTarget(b, to)
	w, h := s.Size()
	trailer := film(int(s.Frames()), w, h, func(k int, pix []byte) {
		if err := s.At(int64(k), pix); err != nil {
			b.Fatal(err)
		}
	})
	b.Run("trailer", func(b *testing.B) { do(b, "trailer", trailer, w, h) })
	aged := film(480, 160, 120, agedFilm(1))
	b.Run("aged", func(b *testing.B) { do(b, "aged", aged, 160, 120) })
}

// BenchmarkStillsWrite is a frame's cost, and its bytes.
func BenchmarkStillsWrite(b *testing.B) {
	benchFilms(b, func(b *testing.B, _ string, frames [][]byte, w, h int) {
		to := writeFilm(b, len(frames), w, h, func(k int, pix []byte) { copy(pix, frames[k]) })
		s, size := openTarget(b, to)
		c := newGroupCoder(w, h)
		b.ResetTimer()
		for i := 0; i < b.N; i += stillsGroup {
			k := i % (len(frames) - stillsGroup)
			if _, err := c.code(frames[k : k+stillsGroup]); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(size)/float64(s.Frames()), "bytes/frame")
	})
}

// BenchmarkStillsSeek is a still at a random place, and the slowest one.
func BenchmarkStillsSeek(b *testing.B) {
	benchFilms(b, func(b *testing.B, _ string, frames [][]byte, w, h int) {
		rng := rand.New(rand.NewPCG(2, 2))
		readStills(b, frames, w, h, func(int) int64 { return rng.Int64N(int64(len(frames))) })
	})
}

// BenchmarkStillsPlay is one still after the other.
func BenchmarkStillsPlay(b *testing.B) {
	benchFilms(b, func(b *testing.B, _ string, frames [][]byte, w, h int) {
		readStills(b, frames, w, h, func(i int) int64 { return int64(i % len(frames)) })
	})
}

func readStills(b *testing.B, frames [][]byte, w, h int, place func(i int) int64) {
	s, _ := openTarget(b, writeFilm(b, len(frames), w, h, func(k int, pix []byte) { copy(pix, frames[k]) }))
	pix := make([]byte, w*h)
	worst := time.Duration(0)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		began := time.Now()
		if err := s.At(place(i), pix); err != nil {
			b.Fatal(err)
		}
		worst = max(worst, time.Since(began))
		i++
	}
	b.ReportMetric(float64(worst.Microseconds())/1000, "ms-worst")
}
