package picture

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder/decodertest"
	"cuechoir/internal/fault"
)

// numbered is a film whose frames say their own number: ten blocks of
// brightness side by side, a bit each, on a drifting background.
func numbered(n, w, h, num, den int) decodertest.Film {
	f := decodertest.Film{W: w, H: h, RateNum: num, RateDen: den}
	for k := range n {
		p := make([]byte, w*h)
		for i := range p {
			x, y := i%w, i/w
			p[i] = byte(120 + 40*math.Sin(float64(x+2*k)/15+float64(y)/21))
			if y >= h/4 && y < 3*h/4 {
				p[i] = byte(20 + 200*(k>>(x*10/w)&1))
			}
		}
		f.Frames = append(f.Frames, p)
	}
	return f
}

// numberOf reads the number that a still shows.
func numberOf(pix []byte, w, h int) int {
	n := 0
	for bit := range 10 {
		sum, count := 0, 0
		for y := h * 3 / 8; y < h*5/8; y++ {
			for x := (bit*w+w/4)/10 + 1; x < ((bit+1)*w-w/4)/10; x++ {
				sum += int(pix[y*w+x])
				count++
			}
		}
		if sum > 120*count {
			n |= 1 << bit
		}
	}
	return n
}

// analysed runs Analyse with stills.
func analysed(t *testing.T, path string, o Options) (Info, *Stills) {
	t.Helper()
	o.Stills = target(t)
	info, _, err := Analyse(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := openTarget(t, o.Stills)
	if s.Frames() != info.Frames || s.Rate() != info.Rate {
		t.Errorf("%d stills at %v of %d frames at %v", s.Frames(), s.Rate(), info.Frames, info.Rate)
	}
	return info, s
}

// TestEveryStillIsItsFrame: at 29.97, and at rates that the file keeps by
// timestamps alone, places without a frame of their own show the one before.
func TestEveryStillIsItsFrame(t *testing.T) {
	t.Parallel()
	n := 75
	if underRace { // the embedded decoder takes ten times as long
		n = 20
	}
	f := numbered(n, 320, 240, 30000, 1001)
	files := map[string]string{"29.97": put(t, "film.avi", f.AVI())}
	gap := func(k int) bool { return k >= 5 && k <= 8 || k == 40 || k == 42 }
	if !underRace {
		f25 := numbered(n, 320, 240, 25, 1)
		files["variable"] = remux(t, f25.AVI(), "vfr.mkv", nil, append(slices.Clone(h264), "-an",
			"-vf", "select=not(between(n\\,5\\,8)+eq(n\\,40)+eq(n\\,42))", "-fps_mode", "passthrough", "-enc_time_base", "1/1000", "-f", "matroska"))
	}
	each(t, func(t *testing.T, o Options) {
		for name, path := range files {
			info, s := analysed(t, path, o)
			w, h := s.Size()
			if w != 160 || h != 120 || s.Frames() != int64(n) || info.VariableRate != (name == "variable") {
				t.Fatalf("%s: %d stills of %d by %d, %+v", name, s.Frames(), w, h, info)
			}
			pix := make([]byte, w*h)
			// Backwards, then at random places: seeks, not one reading through.
			for i := range 2 * n {
				k := n - 1 - i
				if i >= n {
					k = i * 37 % n
				}
				if err := s.At(int64(k), pix); err != nil {
					t.Fatal(err)
				}
				want := k
				for name == "variable" && gap(want) {
					want--
				}
				if got := numberOf(pix, w, h); got != want {
					t.Errorf("%s: still %d shows frame %d, want %d", name, k, got, want)
				}
			}
		}
	})
}

// TestStillsDoNotChangeWhatTheCutFinderSees: the same bytes, with stills taken
// in the same decoding and without.
func TestStillsDoNotChangeWhatTheCutFinderSees(t *testing.T) {
	t.Parallel()
	notUnderRace(t)
	once, err := os.ReadFile(remux(t, threeShots(25, 1).AVI(), "a.ts", nil, []string{"-an", "-c:v", "mpeg2video", "-q:v", "2", "-f", "mpegts"}))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{
		"odd size":                  put(t, "odd.avi", numbered(20, 252, 189, 24, 1).AVI()),
		"a clock that begins again": put(t, "twice.ts", append(slices.Clone(once), once...)),
		"variable, wide pixels": remux(t, threeShots(25, 1).AVI(), "vfr.mkv", nil, append(slices.Clone(h264), "-an",
			"-vf", "scale=640:360,select=not(between(n\\,5\\,8)+eq(n\\,40)),setsar=4/3", "-fps_mode", "passthrough", "-enc_time_base", "1/1000", "-f", "matroska")),
	}
	each(t, func(t *testing.T, o Options) {
		for name, path := range files {
			r, err := open(t.Context(), path, o)
			if err != nil {
				t.Fatal(err)
			}
			alone, both := record(t, r, Target{}), record(t, r, target(t))
			r.Close()
			if len(alone) < 20 || len(alone) != len(both) {
				t.Fatalf("%s: %d frames alone, %d with stills", name, len(alone), len(both))
			}
			for k := range alone {
				if !bytes.Equal(alone[k], both[k]) {
					t.Fatalf("%s: frame %d differs", name, k)
				}
			}
		}
	})
}

// notUnderRace leaves out films that one goroutine reads: the detector makes
// the embedded decoder ten times slower.
func notUnderRace(t *testing.T) {
	if underRace {
		t.Skip("not under the race detector")
	}
}

// record is what the cut finder sees of a file.
func record(t *testing.T, r *reader, to Target) (frames [][]byte) {
	t.Helper()
	w, h := fit(r.info.Width, r.info.Height, greyW, greyH)
	if _, err := r.framesAndStills(t.Context(), to, func(g Grey) error {
		if g.W != w || g.H != h || len(g.Pix) != w*h || g.Index != int64(len(frames)) {
			t.Fatalf("frame %d is %d by %d in %d bytes", g.Index, g.W, g.H, len(g.Pix))
		}
		frames = append(frames, bytes.Clone(g.Pix))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return frames
}

// TestStillSize: as large as 160 by 120 allow, of the picture's shape, never
// larger than the picture.
func TestStillSize(t *testing.T) {
	for _, c := range []struct {
		name               string
		w, h, wantW, wantH int
	}{
		{"16:9", 1920, 1080, 160, 90},
		{"4:3", 720, 540, 160, 120},
		{"2.39", 1280, 536, 160, 67},
		{"1.85", 1998, 1080, 160, 86},
		{"9:16", 1080, 1920, 68, 120},
		{"small", 96, 72, 96, 72},
		{"a line", 32768, 8, 160, 1},
		{"a column", 3, 32768, 1, 120},
		{"a point", 1, 1, 1, 1},
	} {
		if w, h := stillSize(c.w, c.h); w != c.wantW || h != c.wantH {
			t.Errorf("%s: %d by %d, want %d by %d", c.name, w, h, c.wantW, c.wantH)
		}
	}
}

// TestACircleStaysRound within half a point, through pixels that are not
// square and shapes that are not 4:3.
func TestACircleStaysRound(t *testing.T) {
	t.Parallel()
	notUnderRace(t)
	cases := []struct {
		name           string
		w, h           int // as stored
		sarN, sarD     int // of a pixel
		stillW, stillH int
	}{
		{"2.39", 480, 200, 1, 1, 160, 67},
		{"pixels 4:3", 240, 180, 4, 3, 160, 90},
	}
	paths := make([]string, len(cases))
	for i, c := range cases {
		avi := circleFilm(c.w, c.h, c.sarN, c.sarD).AVI()
		if c.sarN == c.sarD {
			paths[i] = put(t, "circle.avi", avi)
			continue
		}
		paths[i] = remux(t, avi, "circle.mkv", nil, []string{"-an", "-c:v", "mpeg4", "-q:v", "2", "-pix_fmt", "yuv420p",
			"-vf", "setsar=" + timecode.R(int64(c.sarN), int64(c.sarD)).String(), "-f", "matroska"})
	}
	each(t, func(t *testing.T, o Options) {
		for i, c := range cases {
			_, s := analysed(t, paths[i], o)
			w, h := s.Size()
			if w != c.stillW || h != c.stillH {
				t.Errorf("%s: stills of %d by %d, want %d by %d", c.name, w, h, c.stillW, c.stillH)
				continue
			}
			pix := make([]byte, w*h)
			if err := s.At(2, pix); err != nil {
				t.Fatal(err)
			}
			across, down := diameters(pix, w, h)
			if d := across - down; math.Abs(d) > 0.5 {
				t.Errorf("%s: the circle is %.2f wide and %.2f high in %d by %d", c.name, across, down, w, h)
			}
			if want := 0.75 * float64(min(w, h)); math.Abs(across-want) > 1 {
				t.Errorf("%s: the circle is %.2f wide, want %.2f", c.name, across, want)
			}
		}
	})
}

// circleFilm is a bright circle, three quarters as wide as the picture's short
// side as shown, on black.
func circleFilm(w, h, sarN, sarD int) decodertest.Film {
	f := decodertest.Film{W: w, H: h, RateNum: 24, RateDen: 1}
	p := make([]byte, w*h)
	aspect := float64(sarN) / float64(sarD)
	r := 0.375 * min(float64(w)*aspect, float64(h))
	for i := range p {
		x, y := (float64(i%w)+0.5-float64(w)/2)*aspect, float64(i/w)+0.5-float64(h)/2
		if math.Hypot(x, y) < r {
			p[i] = 255
		}
	}
	for range 4 {
		f.Frames = append(f.Frames, p)
	}
	return f
}

// diameters of a bright disc on black, across and down: a disc of diameter d
// has the variance d*d/16 each way.
func diameters(pix []byte, w, h int) (across, down float64) {
	var sum, x1, x2, y1, y2 float64
	for i, v := range pix {
		v, x, y := float64(v), float64(i%w), float64(i/w)
		sum += v
		x1, x2 = x1+v*x, x2+v*x*x
		y1, y2 = y1+v*y, y2+v*y*y
	}
	return 4 * math.Sqrt(x2/sum-x1*x1/sum/sum), 4 * math.Sqrt(y2/sum-y1*y1/sum/sum)
}

// TestStillsAreWholeOrNotThere: neither a stop, nor a refusal, nor a caller's
// error leaves a file.
func TestStillsAreWholeOrNotThere(t *testing.T) {
	t.Parallel()
	path := put(t, "film.avi", numbered(60, 160, 120, 24, 1).AVI())
	mine := errors.New("another film")
	each(t, func(t *testing.T, o Options) {
		o.Stills = target(t)
		ctx, stop := context.WithCancel(t.Context())
		o.Progress = func(done, _ int64, _ string) { stop() }
		if _, _, err := Analyse(ctx, path, o); fault.KindOf(err) != fault.Interrupted {
			t.Errorf("stopped: %v", err)
		}
		o.Progress = nil
		o.Stills.Accept = func(i Info) error {
			if i.Frames != 60 {
				t.Errorf("asked to accept %d frames", i.Frames)
			}
			return mine
		}
		if _, err := MakeStills(t.Context(), path, o); err != mine {
			t.Errorf("refused: %v", err)
		}
		if left, err := os.ReadDir(filepath.Join(o.Stills.Root.Name(), "reference")); err != nil || len(left) > 0 {
			t.Errorf("left behind: %v, %v", left, err)
		}
		o.Stills.Accept = nil
		if info, err := MakeStills(t.Context(), path, o); err != nil || info.Frames != 60 {
			t.Fatalf("%+v, %v", info, err)
		}
		s, _ := openTarget(t, o.Stills)
		pix := make([]byte, 160*120)
		if err := s.At(59, pix); err != nil || numberOf(pix, 160, 120) != 59 {
			t.Errorf("the last still shows %d: %v", numberOf(pix, 160, 120), err)
		}
		if m, err := MarkOf(path, ""); err != nil || m != s.Source() || m.Bytes == 0 {
			t.Errorf("mark %v, of the stills %v: %v", m, s.Source(), err)
		}
	})
}
