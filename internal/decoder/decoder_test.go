package decoder

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/decoder/decodertest"
	"cuechoir/internal/fault"
	"cuechoir/internal/reftool"
)

func TestMain(m *testing.M) {
	ServeIfAsked()
	if f := os.Getenv("DECODER_TEST_VICTIM"); f != "" {
		victim(f)
	}
	os.Exit(m.Run())
}

// film is a small moving pattern.
func film(frames int) decodertest.Film {
	f := decodertest.Film{W: 64, H: 48, RateNum: 24000, RateDen: 1001, SoundRate: 8000}
	for k := range frames {
		p := make([]byte, f.W*f.H)
		for i := range p {
			p[i] = byte((i%f.W*3 + i/f.W*5 + k*7) ^ (i * k >> 6))
		}
		f.Frames = append(f.Frames, p)
	}
	f.Sound = make([]int16, frames*8000*1001/24000)
	for i := range f.Sound {
		f.Sound[i] = int16(i * 37)
	}
	return f
}

func write(t *testing.T, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// needNative skips loudly, or fails where the tools are required.
func needNative(t *testing.T) {
	t.Helper()
	if tl := nativeTools(); tl.ffmpeg != "" && tl.ffprobe != "" {
		return
	}
	if reftool.Required() {
		t.Fatal("CUECHOIR_REQUIRE_TOOLS=1, and there is no ffmpeg and ffprobe on PATH")
	}
	t.Skip("SKIPPED: there is no ffmpeg and ffprobe on PATH, so the native engine is not compared")
}

func open(t *testing.T, path string, o Options) *Session {
	t.Helper()
	o.Prepare = func() { fmt.Fprintln(os.Stderr, PrepareText) }
	s, err := Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// encodeH264 makes an MP4 with the encoder inside the embedded module.
func encodeH264(t *testing.T, f decodertest.Film) []byte {
	t.Helper()
	s := open(t, write(t, "raw.avi", f.AVI()), Options{Engine: Embedded})
	var mp4 bytes.Buffer
	res, err := s.Run(t.Context(), Step{Tool: "ffmpeg",
		After: []string{"-c:v", "libx264", "-preset", "ultrafast", "-threads", "1", "-pix_fmt", "yuv420p", "-c:a", "aac",
			"-movflags", "frag_keyframe+empty_moov", "-f", "mp4", "pipe:1"},
		Stdout: func(p []byte) error { mp4.Write(p); return nil }})
	if err != nil || res.ExitCode != 0 {
		t.Fatalf("encoding: exit %d, %v, %v", res.ExitCode, res.Errors, err)
	}
	return mp4.Bytes()
}

// grey decodes to raw frames.
func grey(t *testing.T, s *Session) (pix []byte, lines int, res Result) {
	t.Helper()
	res, err := s.Run(t.Context(), Step{Tool: "ffmpeg",
		After:  []string{"-map", "0:v:0", "-vf", "format=gray,showinfo", "-fps_mode", "passthrough", "-f", "rawvideo", "pipe:1"},
		Stdout: func(p []byte) error { pix = append(pix, p...); return nil },
		Message: func(_ Level, line string) {
			if strings.HasPrefix(line, "[Parsed_showinfo") && strings.Contains(line, "pts_time:") {
				lines++
			}
		}})
	if err != nil {
		t.Fatal(err)
	}
	return pix, lines, res
}

func TestUncompressedFramesComeBackAsTheyWere(t *testing.T) {
	f := film(9)
	path := write(t, "raw.avi", f.AVI())
	for _, e := range []Engine{Embedded, Native} {
		t.Run(string(e), func(t *testing.T) {
			if e == Native {
				needNative(t)
			}
			s := open(t, path, Options{Engine: e})
			if s.Engine() != e {
				t.Fatalf("engine %q", s.Engine())
			}
			pix, lines, res := grey(t, s)
			if res.ExitCode != 0 || len(res.Errors) > 0 {
				t.Fatalf("exit %d, %v", res.ExitCode, res.Errors)
			}
			if !bytes.Equal(pix, bytes.Join(f.Frames, nil)) || lines != 9 {
				t.Fatalf("got %d bytes and %d timestamps, want the 9 frames as they were", len(pix), lines)
			}
		})
	}
}

func TestEnginesAgreeOnH264(t *testing.T) {
	needNative(t)
	path := write(t, "film.mp4", encodeH264(t, film(30)))
	var pix [2][]byte
	for i, e := range []Engine{Embedded, Native} {
		s := open(t, path, Options{Engine: e})
		var n int
		var res Result
		pix[i], n, res = grey(t, s)
		if n != 30 || len(pix[i]) != 30*64*48 || res.ExitCode != 0 {
			t.Fatalf("%s: %d timestamps, %d bytes, exit %d, %v", e, n, len(pix[i]), res.ExitCode, res.Errors)
		}
	}
	if !bytes.Equal(pix[0], pix[1]) {
		t.Error("the engines decode different points from the same H.264")
	}
}

func TestOddNames(t *testing.T) {
	avi := film(2).AVI()
	names := []string{"-leading.avi", "a:b.avi", "http:x.avi", "two words.avi", "ünï 映画.avi", "new\nline.avi", "%03d.avi", "a\"b'c$d.avi", "-i.avi", "a;b$(c).avi", "bad\xffutf8.avi"}
	dir := t.TempDir()
	for _, e := range []Engine{Native, Embedded} {
		for i, name := range names {
			if e == Embedded && i > 0 && i < len(names)-2 {
				continue // the name never reaches the sandbox; a few starts are enough
			}
			t.Run(fmt.Sprintf("%s %q", e, name), func(t *testing.T) {
				if e == Native {
					needNative(t)
				}
				path := filepath.Join(dir, name)
				if err := os.WriteFile(path, avi, 0o644); err != nil {
					t.Skipf("SKIPPED: this file system does not take the name: %v", err)
				}
				t.Chdir(dir) // relative names too
				if pix, n, res := grey(t, open(t, name, Options{Engine: e})); n != 2 || len(pix) != 2*64*48 {
					t.Errorf("%d frames, %d bytes, %v", n, len(pix), res.Errors)
				}
			})
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	put := func(path string, b []byte) string {
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	secret := put(filepath.Join(other, "secret.avi"), film(1).AVI())
	link := filepath.Join(dir, "link.avi")
	if err := os.Symlink(secret, link); err != nil {
		t.Skipf("SKIPPED: no symbolic links here: %v", err)
	}
	for _, c := range []struct {
		name, path, within string
		kind               fault.Kind
		says               string
	}{
		{"missing", filepath.Join(dir, "no.avi"), "", fault.Missing, "no such file"},
		{"no name", "", "", fault.Usage, "not a file name"},
		{"empty", put(filepath.Join(dir, "empty.avi"), nil), "", fault.Malformed, "empty"},
		{"folder", dir, "", fault.Unsupported, "folder"},
		{"link out of the folder", link, dir, fault.Malformed, "leads out"},
		{"path out of the folder", filepath.Join(dir, "..", filepath.Base(other), "secret.avi"), dir, fault.Malformed, "leads out"},
		{"beside the folder", secret, dir, fault.Malformed, "leads out"},
	} {
		for _, e := range []Engine{Embedded, Native} {
			_, err := Open(t.Context(), c.path, Options{Engine: e, Within: c.within})
			if fault.KindOf(err) != c.kind || !strings.Contains(fmt.Sprint(err), c.says) {
				t.Errorf("%s: %v (%v), want %v saying %q", c.name, err, fault.KindOf(err), c.kind, c.says)
			}
		}
	}
	if _, err := Open(t.Context(), secret, Options{Engine: "magic"}); fault.KindOf(err) != fault.Usage {
		t.Errorf("an unknown engine: %v", err)
	}
	// A link that the person names is followed when no folder bounds it.
	if _, n, _ := grey(t, open(t, link, Options{Engine: Embedded})); n != 1 {
		t.Errorf("through a named link: %d frames", n)
	}
}

// TestListsOfFilesAreNotFollowed: a text that FFmpeg would take for a list of
// other files must not make it read them.
func TestListsOfFilesAreNotFollowed(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "other.ts"), film(3).AVI(), 0o644); err != nil {
		t.Fatal(err)
	}
	lists := map[string]string{
		"hls.m3u8":     "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nother.ts\n#EXT-X-ENDLIST\n",
		"concat.txt":   "ffconcat version 1.0\nfile other.ts\n",
		"script.mp4":   "ffconcat version 1.0\nfile other.ts\n",
		"session.sdp":  "v=0\nm=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n",
		"shot%03d.jpg": "not a picture",
		"part.mlv":     "MLVI4\x00\x00\x00v2.0\x00\x00\x00\x00",
		"index.ffcat":  "ffconcat version 1.0\nfile " + filepath.Join(dir, "other.ts") + "\n",
		"playlist.avi": "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nfile:" + filepath.Join(dir, "other.ts") + "\n#EXT-X-ENDLIST\n",
	}
	for _, beside := range []string{"shot001.jpg", "part.M00", "part.M01"} {
		if err := os.WriteFile(filepath.Join(dir, beside), film(3).AVI(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range lists {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		for _, e := range []Engine{Embedded, Native} {
			t.Run(name+" "+string(e), func(t *testing.T) {
				if e == Native {
					needNative(t)
				}
				if pix, _, res := grey(t, open(t, path, Options{Engine: e})); len(pix) > 0 || res.ExitCode == 0 || len(res.Errors) == 0 {
					t.Errorf("read %d bytes of another file (exit %d, %v)", len(pix), res.ExitCode, res.Errors)
				}
			})
		}
	}
}

// TestSandboxShowsOneFile asks the module to read what is not its file.
func TestSandboxShowsOneFile(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"a.avi", "b.avi"} {
		if err := os.WriteFile(filepath.Join(dir, name), film(1).AVI(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, filepath.Join(dir, "a.avi"), Options{Engine: Embedded})
	for _, other := range []string{"/in/b.avi", "/in/../etc/passwd", "/etc/passwd", filepath.Join(dir, "b.avi")} {
		got := 0
		res, err := s.Run(t.Context(), Step{Tool: "ffmpeg", Before: []string{"-f", "rawvideo", "-s", "2x2", "-pix_fmt", "gray", "-i", other},
			After: []string{"-map", "0", "-f", "rawvideo", "pipe:1"}, Stdout: func(p []byte) error { got += len(p); return nil }})
		if err != nil || res.ExitCode == 0 || got > 0 || len(res.Errors) == 0 {
			t.Errorf("%s: exit %d, %d bytes, %v, %v", other, res.ExitCode, got, res.Errors, err)
		}
	}
	res, err := s.Run(t.Context(), Step{Tool: "ffmpeg", After: []string{"-f", "avi", "/in/new.avi"}})
	if err != nil || res.ExitCode == 0 {
		t.Errorf("writing into the sandbox: exit %d, %v", res.ExitCode, err)
	}
	if _, n, _ := grey(t, s); n != 1 {
		t.Errorf("afterwards its own file gives %d frames", n)
	}
}

func TestMemoryBound(t *testing.T) {
	f := decodertest.Film{W: 4096, H: 4096, RateNum: 25, RateDen: 1, Frames: [][]byte{make([]byte, 4096*4096)}}
	s := open(t, write(t, "big.avi", f.AVI()), Options{Engine: Embedded, MemoryMiB: 32})
	res, err := s.Run(t.Context(), Step{Tool: "ffmpeg", After: []string{"-f", "rawvideo", "pipe:1"}})
	if err == nil && (res.ExitCode == 0 || len(res.Errors) == 0) {
		t.Errorf("a 16 MB picture was copied about in 32 MiB: exit %d, %v", res.ExitCode, res.Errors)
	}
	t.Log(err, res.Errors)
}

// TestPointsBound: a picture of more points than MaxPoints, which FFmpeg alone
// would take, is refused by both engines.
func TestPointsBound(t *testing.T) {
	const side = 8704
	f := decodertest.Film{W: side, H: side, RateNum: 25, RateDen: 1, Frames: [][]byte{make([]byte, side*side)}}
	path := write(t, "large.avi", f.AVI())
	for _, e := range []Engine{Embedded, Native} {
		t.Run(string(e), func(t *testing.T) {
			if e == Native {
				needNative(t)
			}
			pix, _, res := grey(t, open(t, path, Options{Engine: e}))
			if len(pix) > 0 || !strings.Contains(strings.Join(res.Errors, ";"), "max pixel count") {
				t.Errorf("%d bytes of picture, exit %d, %v", len(pix), res.ExitCode, res.Errors)
			}
		})
	}
}
