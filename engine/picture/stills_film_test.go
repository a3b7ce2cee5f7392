package picture

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"cuechoir/engine/raster"
	"cuechoir/engine/timecode"
)

// target is a place for stills in a folder of the test's own.
func target(t testing.TB) Target {
	t.Helper()
	root, err := os.OpenRoot(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { root.Close() })
	return Target{Root: root, Name: "reference/stills.grey"}
}

// openTarget opens what was written there.
func openTarget(t testing.TB, to Target) (*Stills, int64) {
	t.Helper()
	f, err := to.Root.Open(to.Name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	st, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	s, err := OpenStills(f, st.Size(), filepath.Base(to.Name))
	if err != nil {
		t.Fatal(err)
	}
	return s, st.Size()
}

// writeFilm writes n stills of w by h that draw gives.
func writeFilm(t testing.TB, n, w, h int, draw func(k int, pix []byte)) Target {
	t.Helper()
	to := target(t)
	s, err := newStillsWriter(to, w, h)
	if err != nil {
		t.Fatal(err)
	}
	pix := make([]byte, w*h)
	for k := range n {
		draw(k, pix)
		if err := s.push(Grey{Index: int64(k), W: w, H: h, Pix: pix}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.finish(timecode.Rate24, Mark{Bytes: 77, Sum: [32]byte{1, 2, 3}}); err != nil {
		t.Fatal(err)
	}
	return to
}

// agedFilm draws shots of 60 frames at 320 by 240, 4:3, and halves them: a
// slow pan, weave of a point, flicker of 12 %, grain of standard deviation 12
// on each of the four points (6 in the still: what 14 on points of a 576-line
// film that hang together over 1.5 comes to, by arithmetic), scratches, dirt.
func agedFilm(seed uint64) func(k int, pix []byte) {
	const w, h = 320, 240
	rng := rand.New(rand.NewPCG(seed, 5))
	grain := make([]int16, 1<<16)
	for i := range grain {
		grain[i] = int16(math.Round(rng.NormFloat64() * 12))
	}
	wave := make([]float64, 1<<12)
	for i := range wave {
		wave[i] = math.Sin(2 * math.Pi * float64(i) / float64(len(wave)))
	}
	sin := func(x int) float64 { return wave[uint(x)%uint(len(wave))] }
	big := make([]byte, w*h)
	return func(k int, pix []byte) {
		shot := k / 60
		gain := 1 + 0.12*(2*rng.Float64()-1)
		dx, dy := k%60/2+rng.IntN(3), rng.IntN(3)
		at := rng.IntN(len(grain))
		for y := range h {
			for x := range w {
				u, v := x+dx, y+dy
				g := 110 + 45*sin(u*(37+9*shot)+v*11) + 35*sin(v*(53+7*shot)-u*5) + 25*sin((u*u+v*v)/(9+shot))
				at = (at*5 + 12345) % len(grain)
				if i := x + y*w; i%257 == 0 {
					at = rng.IntN(len(grain))
				}
				big[x+y*w] = byte(max(0, min(255, g*gain+float64(grain[at]))))
			}
		}
		for range 2 {
			x, y := rng.IntN(w), rng.IntN(h-6)
			for j := range h {
				big[x+j*w] = 230
			}
			for j := range 6 * 6 {
				big[min(w-1, x+j%6)+(y+j/6)*w] = 10
			}
		}
		raster.Scale(pix, w/2, h/2, big, w, h)
	}
}
