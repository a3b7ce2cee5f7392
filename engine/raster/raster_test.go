package raster

import (
	"bytes"
	"image/png"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestFit(t *testing.T) {
	for _, c := range []struct {
		name                   string
		srcW, srcH, boxW, boxH int
		aspect                 float64
		want                   Rect
	}{
		// 160:90 in 80 columns of cells twice as high as wide: 80*9/16/2 = 22.5 rows.
		{"16:9 in 80 by 24", 160, 90, 80, 24, 2, Rect{0, 0, 80, 23}},
		{"4:3 in 80 by 24", 160, 120, 80, 24, 2, Rect{8, 0, 64, 24}},
		{"2.39 in 80 by 24", 160, 67, 80, 24, 2, Rect{0, 3, 80, 17}},
		{"tall", 68, 120, 80, 24, 2, Rect{26, 0, 27, 24}},
		{"the usual cells", 160, 120, 80, 24, 0, Rect{8, 0, 64, 24}},
		{"square cells", 160, 120, 80, 24, 1, Rect{24, 0, 32, 24}},
		{"a line", 160, 1, 10, 10, 2, Rect{0, 4, 10, 1}},
		{"a column", 1, 160, 10, 10, 2, Rect{4, 0, 1, 10}},
		{"no box", 160, 120, 0, 24, 2, Rect{}},
		{"no picture", 0, 0, 80, 24, 2, Rect{}},
	} {
		if got := Fit(c.srcW, c.srcH, c.boxW, c.boxH, c.aspect); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// TestScaleIsTheMeanOfTheArea against the definition, point by point: the
// source drawn large enough that both grids meet, then averaged.
func TestScaleIsTheMeanOfTheArea(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	for range 60 {
		sw, sh, w, h := 1+rng.IntN(12), 1+rng.IntN(12), 1+rng.IntN(15), 1+rng.IntN(15)
		src := make([]byte, sw*sh)
		for i := range src {
			src[i] = byte(rng.IntN(256))
		}
		got := make([]byte, w*h)
		Scale(got, w, h, src, sw, sh)
		for y := range h {
			for x := range w {
				sum := 0
				for v := y * sh; v < (y+1)*sh; v++ {
					for u := x * sw; u < (x+1)*sw; u++ {
						sum += int(src[v/h*sw+u/w])
					}
				}
				if want := (2*sum + sw*sh) / (2 * sw * sh); int(got[y*w+x]) != want {
					t.Fatalf("%d by %d to %d by %d (seed 6): point %d,%d is %d, want %d", sw, sh, w, h, x, y, got[y*w+x], want)
				}
			}
		}
	}
}

func TestHalfBlocks(t *testing.T) {
	got := HalfBlocks([]byte{1, 2, 3, 4, 5, 6}, 2, 3)
	want := []Cell{{'▀', 1, 3}, {'▀', 2, 4}, {'▀', 5, 5}, {'▀', 6, 6}}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("cell %d: %v, want %v", i, got[i], want[i])
		}
	}
}

// TestCharactersRise: black is a space, white the most ink, and no brighter
// point has a character from further down.
func TestCharactersRise(t *testing.T) {
	wedge := make([]byte, 256)
	for i := range wedge {
		wedge[i] = byte(i)
	}
	cells := Characters(wedge, 256, 1)
	if cells[0].Rune != ' ' || cells[255].Rune != '@' {
		t.Errorf("black is %q, white %q", cells[0].Rune, cells[255].Rune)
	}
	seen := map[rune]bool{}
	for i, c := range cells {
		if at := strings.IndexRune(inks, c.Rune); i > 0 && at < strings.IndexRune(inks, cells[i-1].Rune) {
			t.Errorf("%d has less ink than %d", i, i-1)
		}
		seen[c.Rune] = true
	}
	if len(seen) != len(inks) {
		t.Errorf("%d of %d inks used", len(seen), len(inks))
	}
}

// TestStretch: a faint picture fills the range as far as the gain allows, and
// an even one stays what it is to a level.
func TestStretch(t *testing.T) {
	for _, c := range []struct {
		name     string
		in, want []byte
	}{
		{"half the range", []byte{60, 123, 187}, []byte{0, 126, 255}},
		{"a whole range", []byte{0, 77, 255}, []byte{0, 77, 255}},
		{"faint", []byte{100, 110}, []byte{114, 144}}, // three times as far apart, about the middle
		{"black", []byte{0, 0, 0}, []byte{0, 0, 0}},
		{"white", []byte{255, 255}, []byte{255, 255}},
		{"grey", []byte{128, 128}, []byte{129, 129}},
		{"nothing", nil, nil},
	} {
		got := bytes.Clone(c.in)
		Stretch(got)
		if !bytes.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	// One point in two hundred does not count.
	pix := bytes.Repeat([]byte{50, 150}, 100)
	pix[7] = 255
	Stretch(pix)
	if pix[0] != 0 || pix[1] != 255 || pix[7] != 255 {
		t.Errorf("with a speck: %v", pix[:8])
	}
}

// TestPalette256 against the ramp's entries: nothing of it is nearer.
func TestPalette256(t *testing.T) {
	level := map[int]int{16: 0, 231: 255}
	for i := range 24 {
		level[232+i] = 8 + 10*i
	}
	off := func(a, b int) int { return max(a-b, b-a) }
	for v := range 256 {
		got, ok := level[Palette256(byte(v))]
		if !ok {
			t.Fatalf("%d is colour %d, no grey", v, Palette256(byte(v)))
		}
		for i, l := range level {
			if off(l, v) < off(got, v) {
				t.Errorf("%d is drawn as %d, and colour %d is %d", v, got, i, l)
			}
		}
	}
}

func TestDepthOf(t *testing.T) {
	for _, c := range []struct {
		env  string
		want Depth
	}{
		{"TERM=xterm-256color", Greys256},
		{"TERM=xterm-256color COLORTERM=truecolor", Greys24},
		{"TERM=xterm COLORTERM=24bit", Greys24},
		{"TERM=xterm-direct", Greys24},
		{"TERM=xterm", Plain},
		{"TERM=xterm-256color COLORTERM=truecolor NO_COLOR=1", Plain},
		{"TERM=dumb COLORTERM=truecolor", Plain},
		{"COLORTERM=truecolor", Plain},
	} {
		got := DepthOf(func(name string) string {
			for _, f := range strings.Fields(c.env) {
				if v, ok := strings.CutPrefix(f, name+"="); ok {
					return v
				}
			}
			return ""
		})
		if got != c.want {
			t.Errorf("%s: %v, want %v", c.env, got, c.want)
		}
	}
}

// TestDraw: the codes of ECMA-48, each only where it changes, the colours put
// back at each line's end; and none at all in the plain form.
func TestDraw(t *testing.T) {
	pix := []byte{0, 0, 255, 255, 0, 0, 255, 255, 255, 255, 0, 0, 255, 255, 0, 0} // a chequer of four
	if got, want := Draw(pix, 4, 4, 4, 0, Greys24),
		"\x1b[38;2;0;0;0m\x1b[48;2;0;0;0m▀▀\x1b[38;2;255;255;255m\x1b[48;2;255;255;255m▀▀\x1b[0m\n"+
			"\x1b[38;2;255;255;255m\x1b[48;2;255;255;255m▀▀\x1b[38;2;0;0;0m\x1b[48;2;0;0;0m▀▀\x1b[0m\n"; got != want {
		t.Errorf("%q\nwant %q", got, want)
	}
	if got, want := Draw(pix, 4, 4, 2, 9, Greys256), "\x1b[38;5;16m\x1b[48;5;231m▀\x1b[38;5;231m\x1b[48;5;16m▀\x1b[0m\n"; got != want {
		t.Errorf("%q\nwant %q", got, want)
	}
	if got, want := Draw(pix, 4, 4, 4, 2, Plain), "  @@\n@@\n"; got != want {
		t.Errorf("%q\nwant %q", got, want)
	}
	if got := Draw(nil, 0, 0, 80, 24, Plain); got != "" {
		t.Errorf("nothing is drawn as %q", got)
	}
}

func TestPNG(t *testing.T) {
	var b bytes.Buffer
	pix := []byte{0, 50, 100, 150, 200, 255}
	if err := PNG(&b, pix, 3, 2); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil || img.Bounds().Dx() != 3 || img.Bounds().Dy() != 2 {
		t.Fatal(img, err)
	}
	for i, v := range pix {
		if r, g, _, a := img.At(i%3, i/3).RGBA(); byte(r>>8) != v || r != g || a != 0xffff {
			t.Errorf("point %d is %d, want %d", i, r>>8, v)
		}
	}
}

func BenchmarkScale(b *testing.B) {
	src, dst := make([]byte, 160*120), make([]byte, 64*48)
	for b.Loop() {
		Scale(dst, 64, 48, src, 160, 120)
	}
}
