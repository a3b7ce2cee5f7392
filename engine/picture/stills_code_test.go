package picture

import (
	"bytes"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// film draws n frames at once.
func film(n, w, h int, draw func(k int, pix []byte)) [][]byte {
	out := make([][]byte, n)
	for k := range out {
		out[k] = make([]byte, w*h)
		draw(k, out[k])
	}
	return out
}

// TestStillsKeepTheirGreys: no point is off by more than three quarters of a
// step and its rounding, and a frame's bytes are bounded. Groups that differ
// much follow each other, so that the number of greys falls and rises.
func TestStillsKeepTheirGreys(t *testing.T) {
	const n, w, h = 6*stillsGroup + 5, 160, 120
	noise := rand.NewChaCha8([32]byte{3})
	aged := agedFilm(1)
	frames := film(n, w, h, func(k int, pix []byte) {
		switch k / stillsGroup {
		case 0, 4, 5: // a wedge from black to white, hard edges, a cut inside the group
			for i := range pix {
				pix[i] = byte((i % w * 255 / (w - 1)) + (i/w)*(k%stillsGroup/8)*131)
			}
		case 1:
			noise.Read(pix)
		default:
			aged(k, pix)
		}
	})
	to := writeFilm(t, n, w, h, func(k int, pix []byte) { copy(pix, frames[k]) })
	s, _ := openTarget(t, to)
	pix, seen := make([]byte, w*h), map[int]bool{}
	for k := range frames {
		if err := s.At(int64(k), pix); err != nil {
			t.Fatal(err)
		}
		code, err := s.code(int64(k / stillsGroup))
		if err != nil {
			t.Fatal(err)
		}
		if limit := maxGroupBytes * min(stillsGroup, n-k/stillsGroup*stillsGroup); len(code) > limit {
			t.Fatalf("the group of frame %d takes %d bytes, bound %d", k, len(code), limit)
		}
		bits := int(code[0])
		seen[bits] = true
		most := 255*3/4/(1<<bits-1) + 1
		for i, v := range pix {
			if d := int(v) - int(frames[k][i]); d > most || d < -most {
				t.Fatalf("frame %d, point %d: %d became %d at %d bits", k, i, frames[k][i], v, bits)
			}
		}
	}
	if !seen[mostBits] || !seen[fewestBits] {
		t.Errorf("bits seen: %v; the film was to need %d and %d", seen, fewestBits, mostBits)
	}
	// Black and white are black and white at any number of bits.
	for bits := fewestBits; bits <= mostBits; bits++ {
		p := []byte{0, 1<<bits - 1}
		if toGreys(p, bits); p[0] != 0 || p[1] != 255 {
			t.Errorf("%d bits: black is %d, white %d", bits, p[0], p[1])
		}
	}
}

// TestStillsOfAnySize: sizes that are odd or tiny, films of a group and a bit.
func TestStillsOfAnySize(t *testing.T) {
	for _, c := range []struct{ n, w, h int }{{1, 1, 1}, {16, 1, 120}, {17, 160, 1}, {33, 7, 5}, {15, 68, 120}} {
		rng := rand.New(rand.NewPCG(4, uint64(c.w)))
		frames := film(c.n, c.w, c.h, func(k int, pix []byte) {
			for i := range pix {
				pix[i] = byte(rng.IntN(4) * 85)
			}
		})
		s, _ := openTarget(t, writeFilm(t, c.n, c.w, c.h, func(k int, pix []byte) { copy(pix, frames[k]) }))
		pix := make([]byte, c.w*c.h)
		for k := range frames {
			if err := s.At(int64(k), pix); err != nil || !bytes.Equal(pix, frames[k]) {
				t.Fatalf("%d frames of %d by %d: frame %d differs (%v)", c.n, c.w, c.h, k, err)
			}
		}
		if err := s.Check(); err != nil {
			t.Error(err)
		}
	}
}

func TestScaledStills(t *testing.T) {
	s, _ := openTarget(t, writeFilm(t, 3, 160, 90, func(k int, pix []byte) {
		for i := range pix {
			pix[i] = byte(255 * (i % 160 / 80)) // left half black, right half white
		}
	}))
	dst := make([]byte, 6)
	if err := s.Scaled(2, 3, 2, dst); err != nil || !bytes.Equal(dst, []byte{0, 128, 255, 0, 128, 255}) {
		t.Errorf("%v, %v", dst, err)
	}
	if r := s.Fit(80, 24, 2); r.W != 80 || r.H != 23 || r.X != 0 || r.Y != 0 { // 80*9/16/2 = 22.5
		t.Errorf("%+v", r)
	}
	for name, err := range map[string]error{
		"before the first": s.At(-1, make([]byte, 160*90)), "after the last": s.At(3, make([]byte, 160*90)),
		"short": s.At(0, make([]byte, 160*90-1)), "no width": s.Scaled(0, 0, 1, dst), "too wide": s.Scaled(0, 4097, 1, make([]byte, 5000)),
	} {
		if fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestStillsServeManyAtOnce; the race detector watches.
func TestStillsServeManyAtOnce(t *testing.T) {
	const n, w, h = 150, 40, 30
	s, _ := openTarget(t, writeFilm(t, n, w, h, func(k int, pix []byte) {
		for i := range pix {
			pix[i] = byte(k)
		}
	}))
	var all sync.WaitGroup
	for g := range 4 {
		all.Go(func() {
			pix := make([]byte, w*h)
			for i := range 200 {
				k := (i*(7+g) + g*31) % n
				if err := s.At(int64(k), pix); err != nil || max(int(pix[0])-k, k-int(pix[0])) > 4 {
					t.Errorf("frame %d is %d: %v", k, pix[0], err)
					return
				}
			}
		})
	}
	all.Wait()
}

// TestDamagedStillsAreTold: whichever byte is changed, whatever is cut off, the
// still that is shown is right or an error is.
func TestDamagedStillsAreTold(t *testing.T) {
	const n, w, h = 20, 24, 18
	draw := func(k int, pix []byte) {
		for i := range pix {
			pix[i] = byte(k*11 + i)
		}
	}
	to := writeFilm(t, n, w, h, draw)
	whole, err := os.ReadFile(filepath.Join(to.Root.Name(), to.Name))
	if err != nil {
		t.Fatal(err)
	}
	truth := make([]byte, n*w*h)
	s, _ := openTarget(t, to)
	for k := range n {
		if err := s.At(int64(k), truth[k*w*h:]); err != nil {
			t.Fatal(err)
		}
	}
	try := func(what string, b []byte) {
		t.Helper()
		s, err := OpenStills(bytes.NewReader(b), int64(len(b)), "stills.grey")
		if err == nil && s.Check() == nil {
			t.Errorf("%s: nothing was noticed", what)
		}
		if err != nil {
			told(t, what, err)
			return
		}
		pix := make([]byte, w*h)
		for k := range int64(n) {
			if err := s.At(k, pix); err != nil {
				told(t, what, err)
			} else if !bytes.Equal(pix, truth[int(k)*w*h:][:w*h]) {
				t.Errorf("%s: frame %d is another picture", what, k)
			}
		}
	}
	for at := range whole {
		b := bytes.Clone(whole)
		b[at] ^= 0x41
		try("a changed byte", b)
	}
	for _, cut := range []int{0, 1, 8, 60, len(whole) / 2, len(whole) - 1} {
		try("cut short", whole[:cut])
	}
	try("longer", append(bytes.Clone(whole), 0))
}

// TestAGroupThatCannotBeUnpacked, though its checksum holds, does not come
// under another's name: its neighbours stay right.
func TestAGroupThatCannotBeUnpacked(t *testing.T) {
	const n, w, h = (cachedGroups + 1) * stillsGroup, 16, 12
	to := writeFilm(t, n, w, h, func(k int, pix []byte) {
		for i := range pix {
			pix[i] = byte(3*k + i)
		}
	})
	b, err := os.ReadFile(filepath.Join(to.Root.Name(), to.Name))
	if err != nil {
		t.Fatal(err)
	}
	s, _ := openTarget(t, to)
	const bad = cachedGroups
	code := b[s.at[bad]:s.at[bad+1]]
	code = code[: len(code)/2 : len(code)/2]
	s.src, s.at[bad+1], s.sums[bad] = bytes.NewReader(b), s.at[bad]+int64(len(code)), crc32.ChecksumIEEE(code)
	pix := make([]byte, w*h)
	for range 2 {
		for k := range int64(bad * stillsGroup) {
			if err := s.At(k, pix); err != nil || max(int(pix[0])-int(3*k), int(3*k)-int(pix[0])) > 4 {
				t.Fatalf("frame %d is %d: %v", k, pix[0], err)
			}
		}
		told(t, "a group cut short", s.At(n-1, pix))
		if err := s.At(0, pix); err != nil || pix[0] != 0 {
			t.Errorf("frame 0 is %d after it: %v", pix[0], err)
		}
	}
}

func told(t *testing.T, what string, err error) {
	t.Helper()
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Malformed || f.File != "stills.grey" || f.Mend == "" {
		t.Errorf("%s: %v", what, err)
	}
}

// poorFile fails at the nth call of a kind.
type poorFile struct {
	stillsFile
	fail string
	err  error
}

func (p *poorFile) Write(b []byte) (int, error) {
	if p.fail == "write" {
		return 0, p.err
	}
	return p.stillsFile.Write(b)
}

func (p *poorFile) Sync() error {
	if p.fail == "sync" {
		return p.err
	}
	return p.stillsFile.Sync()
}

func (p *poorFile) Close() error {
	err := p.stillsFile.Close()
	if p.fail == "close" {
		return p.err
	}
	return err
}

// TestStillsOnAFullDisk: the old file stays, nothing is left, the kind is told.
func TestStillsOnAFullDisk(t *testing.T) {
	for _, fail := range []string{"write", "sync", "close"} {
		to := writeFilm(t, 2, 8, 6, func(k int, pix []byte) { pix[0] = 255 })
		s, err := newStillsWriter(to, 160, 120)
		if err != nil {
			t.Fatal(err)
		}
		s.use(&poorFile{s.file, fail, &os.PathError{Op: fail, Path: "x", Err: syscall.ENOSPC}})
		noise := rand.NewChaCha8([32]byte{1})
		pix := make([]byte, 160*120)
		for range 2 * stillsGroup {
			noise.Read(pix)
			if err = s.push(Grey{W: 160, H: 120, Pix: pix}); err != nil {
				s.abandon()
				break
			}
		}
		if err == nil {
			err = s.finish(timecode.Rate24, Mark{})
		}
		if fault.KindOf(err) != fault.DiskFull || !strings.Contains(err.Error(), "stills.grey") {
			t.Errorf("%s: %v", fail, err)
		}
		if old, _ := openTarget(t, to); old.Frames() != 2 {
			t.Errorf("%s: the old file has %d frames", fail, old.Frames())
		}
		left, err := os.ReadDir(filepath.Join(to.Root.Name(), "reference"))
		if err != nil || len(left) != 1 {
			t.Errorf("%s: left behind %v, %v", fail, left, err)
		}
	}
}

// TestOldLeftoversAreSweptAway, those of a program at work are not.
func TestOldLeftoversAreSweptAway(t *testing.T) {
	to := writeFilm(t, 1, 8, 6, func(int, []byte) {})
	dir := filepath.Join(to.Root.Name(), "reference")
	for name, age := range map[string]time.Duration{"stills.grey.aa.tmp": 2 * staleTemp, "stills.grey.bb.tmp": 0, "other.tmp": 2 * staleTemp} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, nil, 0o644); err != nil {
			t.Fatal(err)
		}
		when := time.Now().Add(-age)
		if err := os.Chtimes(path, when, when); err != nil {
			t.Fatal(err)
		}
	}
	s, err := newStillsWriter(to, 8, 6)
	if err != nil {
		t.Fatal(err)
	}
	s.abandon()
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 3 || left[0].Name() != "other.tmp" || left[2].Name() != "stills.grey.bb.tmp" {
		t.Errorf("left: %v, %v", left, err)
	}
}

// TestMarks: the same bytes have the same mark wherever they lie; a change, a
// byte more, or a way out of the folder have not.
func TestMarks(t *testing.T) {
	b := make([]byte, 3<<20)
	rand.NewChaCha8([32]byte{8}).Read(b)
	first, err := MarkOf(put(t, "a.mp4", b), "")
	if err != nil || first.Bytes != 3<<20 {
		t.Fatal(first, err)
	}
	if again, err := MarkOf(put(t, "b.mp4", b), ""); err != nil || again != first {
		t.Errorf("a copy: %v", err)
	}
	for name, c := range map[string][]byte{"first": flipped(b, 0), "last": flipped(b, len(b)-1), "longer": append(bytes.Clone(b), 0)} {
		if m, err := MarkOf(put(t, "c.mp4", c), ""); err != nil || m == first {
			t.Errorf("%s: the mark is the same (%v)", name, err)
		}
	}
	if m, err := MarkOf(put(t, "small", b[:10]), ""); err != nil || m == first || m.Bytes != 10 {
		t.Errorf("a small one: %v", err)
	}
	inside := t.TempDir()
	if err := os.Symlink(put(t, "out.mp4", b), filepath.Join(inside, "in.mp4")); err != nil {
		t.Skipf("SKIPPED: no links here: %v", err)
	}
	if _, err := MarkOf(filepath.Join(inside, "in.mp4"), inside); fault.KindOf(err) != fault.Missing {
		t.Errorf("a link out of the folder: %v", err)
	}
}

func flipped(b []byte, at int) []byte {
	c := bytes.Clone(b)
	c[at] ^= 1
	return c
}
