package picture

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/decoder/decodertest"
	"cuechoir/internal/fault"
	"cuechoir/internal/reftool"
)

var engines = []decoder.Engine{decoder.Embedded, decoder.Native}

// each runs a test with both engines; the native one is skipped loudly, or
// required by CUECHOIR_REQUIRE_TOOLS=1.
func each(t *testing.T, f func(t *testing.T, o Options)) {
	for _, e := range engines {
		t.Run(string(e), func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "try.avi")
			if err := os.WriteFile(path, []byte("x"), 0o644); err != nil {
				t.Fatal(err)
			}
			s, err := decoder.Open(t.Context(), path, decoder.Options{Engine: e})
			if err != nil {
				if e == decoder.Native && !reftool.Required() {
					t.Skipf("SKIPPED: no native decoder: %v", err)
				}
				t.Fatal(err)
			}
			s.Close()
			f(t, Options{Engine: e})
		})
	}
}

// threeShots is a film with cuts at 20 and 33, a square moving in each shot,
// and sound with a click at sample 8000.
func threeShots(num, den int) decodertest.Film {
	f := decodertest.Film{W: 96, H: 72, RateNum: num, RateDen: den, SoundRate: 48000}
	for k := range 50 {
		shot := 0
		if k >= 20 {
			shot++
		}
		if k >= 33 {
			shot++
		}
		p := make([]byte, f.W*f.H)
		for i := range p {
			x, y := i%f.W, i/f.W
			p[i] = byte(128 + 60*math.Sin(float64(x*(3+shot*4)+y*(7-3*shot))/17+float64(shot)) + 40*math.Cos(float64(y*(2+5*shot)-x*shot)/11))
			if dx, dy := x-20-k, y-30; dx*dx+dy*dy < 50 {
				p[i] = byte(250 * (shot % 2))
			}
		}
		f.Frames = append(f.Frames, p)
	}
	f.Sound = make([]int16, 50*48000*den/num)
	f.Sound[8000] = 32000
	return f
}

func put(t *testing.T, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// remux makes another file of one with FFmpeg's own muxers and encoders.
func remux(t *testing.T, in []byte, name string, before, after []string) string {
	t.Helper()
	s, err := decoder.Open(t.Context(), put(t, "in.avi", in), decoder.Options{Engine: decoder.Embedded})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var out bytes.Buffer
	res, err := s.Run(t.Context(), decoder.Step{Tool: "ffmpeg", Before: before, After: append(after, "pipe:1"),
		Stdout: func(p []byte) error { out.Write(p); return nil }})
	if err != nil || res.ExitCode != 0 {
		t.Fatalf("exit %d, %v, %v", res.ExitCode, res.Errors, err)
	}
	return put(t, name, out.Bytes())
}

var h264 = []string{"-c:v", "libx264", "-preset", "ultrafast", "-threads", "1", "-bf", "2", "-pix_fmt", "yuv420p", "-c:a", "aac"}

func TestAnalyseFindsRateFramesAndCuts(t *testing.T) {
	t.Parallel()
	f := threeShots(24000, 1001)
	files := map[string]string{
		"avi": put(t, "film.avi", f.AVI()),
		"mp4": remux(t, f.AVI(), "film.mp4", nil, append(slices.Clone(h264), "-movflags", "frag_keyframe+empty_moov", "-f", "mp4")),
		"mkv": remux(t, f.AVI(), "film.mkv", nil, append(slices.Clone(h264), "-f", "matroska")),
		"ts":  remux(t, f.AVI(), "film.ts", nil, append(slices.Clone(h264), "-f", "mpegts")),
	}
	want := []cutlist.Cut{{Frame: 20, End: 20, Kind: cutlist.HardCut}, {Frame: 33, End: 33, Kind: cutlist.HardCut}}
	if underRace { // the embedded decoder takes ten times as long
		files = map[string]string{"avi": files["avi"]}
	}
	each(t, func(t *testing.T, o Options) {
		for name, path := range files {
			info, cuts, err := Analyse(t.Context(), path, o)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if info.Rate != timecode.Rate23976 || info.Frames != 50 || info.VariableRate || len(info.Notes) > 0 {
				t.Errorf("%s: %+v", name, info)
			}
			if !info.HasPicture || !info.HasSound || info.Width != 96 || info.Height != 72 || info.SoundRate != 48000 || info.SoundChannels != 1 {
				t.Errorf("%s: %+v", name, info)
			}
			for i := range cuts {
				cuts[i].Confidence = 0
			}
			if !reflect.DeepEqual(cuts, want) {
				t.Errorf("%s: cuts %v, want %v", name, cuts, want)
			}
		}
	})
}

// TestRates: the header's rate is snapped, by timestamps.
func TestRates(t *testing.T) {
	t.Parallel()
	for _, r := range []timecode.Rate{timecode.Rate24, timecode.Rate25, timecode.Rate2997, timecode.Rate5994, {Num: 16, Den: 1}} {
		f := threeShots(int(r.Num), int(r.Den))
		f.SoundRate = 0
		info, err := Header(t.Context(), put(t, "film.avi", f.AVI()), Options{})
		if err != nil || info.Rate != r || info.HasSound || info.Frames != 0 {
			t.Errorf("%v: %+v, %v", r, info, err)
		}
	}
}

// TestVariableRate drops frames from a film; the rest keep their places.
func TestVariableRate(t *testing.T) {
	t.Parallel()
	f := threeShots(25, 1)
	path := remux(t, f.AVI(), "vfr.mkv", nil, append(slices.Clone(h264), "-an",
		"-vf", "select=not(between(n\\,5\\,8)+eq(n\\,40)+eq(n\\,42))", "-fps_mode", "passthrough", "-enc_time_base", "1/1000", "-f", "matroska"))
	each(t, func(t *testing.T, o Options) {
		info, cuts, err := Analyse(t.Context(), path, o)
		if err != nil || !info.VariableRate || info.Rate != timecode.Rate25 || info.Frames != 50 || len(info.Notes) == 0 {
			t.Fatalf("%+v, %v", info, err)
		}
		if len(cuts) != 2 || cuts[0].Frame != 20 || cuts[1].Frame != 33 {
			t.Errorf("cuts %v", cuts)
		}
	})
}

// TestSoundStandsAtFrameZero: the click is where it was, whatever the file's
// clocks begin with.
func TestSoundStandsAtFrameZero(t *testing.T) {
	t.Parallel()
	f := threeShots(24, 1)
	pcm := []string{"-c:v", "libx264", "-preset", "ultrafast", "-threads", "1", "-pix_fmt", "yuv420p", "-c:a", "pcm_s16le", "-f", "matroska"}
	flac := func(name string, before, filter []string) string {
		return remux(t, f.AVI(), name, before, append(append([]string{}, filter...), pcm...))
	}
	files := []struct {
		name, path string
		click      int64 // of 48 kHz
		frames     int64
	}{
		{"together", put(t, "a.avi", f.AVI()), 8000, 100_000},
		// the sound's clock is put 0.5 s later, or the picture's 0.125 s
		{"late sound", flac("late.mkv", nil, []string{"-af", "asetpts=PTS+0.5/TB"}), 32_000, 124_000},
		{"late picture", flac("early.mkv", nil, []string{"-vf", "setpts=PTS+0.125/TB"}), 2000, 94_000},
	}
	each(t, func(t *testing.T, o Options) {
		for _, c := range files {
			rates := []int{48000, 44100}
			if underRace { // the embedded decoder takes ten times as long
				rates = rates[:1]
			}
			for _, rate := range rates {
				dst := filepath.Join(t.TempDir(), "sound.wav")
				n, err := Sound(t.Context(), c.path, rate, dst, o)
				if err != nil {
					t.Fatalf("%s: %v", c.name, err)
				}
				x, fm, err := audiofile.ReadAll(dst, 0)
				if err != nil || fm.SampleRate != rate || fm.Channels != 1 || int64(len(x)) != n {
					t.Fatalf("%s: %v %d %v", c.name, fm, len(x), err)
				}
				peak, at := float32(0), 0
				for i, v := range x {
					if v > peak {
						peak, at = v, i
					}
				}
				// Matroska keeps milliseconds: 48 samples.
				slack := int64(48)
				if c.name == "together" {
					slack = int64(48000/rate) - 1 + int64(rate%48000/44100)
				}
				want := c.click * int64(rate) / 48000
				if d := int64(at) - want; d > slack || d < -slack || peak < 0.3 {
					t.Errorf("%s at %d Hz: the click is at %d (%.2f), want %d", c.name, rate, at, peak, want)
				}
				if d := n - c.frames*int64(rate)/48000; d > slack+1 || d < -slack-1 {
					t.Errorf("%s at %d Hz: %d samples, want %d", c.name, rate, n, c.frames*int64(rate)/48000)
				}
			}
		}
	})
}

func TestSoundAlone(t *testing.T) {
	t.Parallel()
	var wav bytes.Buffer
	data := make([]byte, 2*4800)
	wav.WriteString("RIFF")
	binary.Write(&wav, binary.LittleEndian, uint32(36+len(data)))
	wav.WriteString("WAVEfmt ")
	binary.Write(&wav, binary.LittleEndian, []uint32{16, 1 | 1<<16, 48000, 96000, 2 | 16<<16})
	wav.WriteString("data")
	binary.Write(&wav, binary.LittleEndian, uint32(len(data)))
	wav.Write(data)
	path := put(t, "sound.wav", wav.Bytes())
	info, err := Probe(t.Context(), path, Options{})
	if err != nil || info.HasPicture || !info.HasSound || info.SoundRate != 48000 || info.Frames != 0 {
		t.Errorf("%+v, %v", info, err)
	}
	if _, _, err := Analyse(t.Context(), path, Options{}); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("cuts of sound alone: %v", err)
	}
	silent := threeShots(24, 1)
	silent.SoundRate = 0
	dst := filepath.Join(t.TempDir(), "x.wav")
	if _, err := Sound(t.Context(), put(t, "silent.avi", silent.AVI()), 48000, dst, Options{}); fault.KindOf(err) != fault.Unsupported {
		t.Errorf("sound of a silent film: %v", err)
	}
	if left, _ := os.ReadDir(filepath.Dir(dst)); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestHostileFiles(t *testing.T) {
	mp4, err := os.ReadFile(remux(t, threeShots(24, 1).AVI(), "f.mp4", nil, append(slices.Clone(h264), "-f", "matroska")))
	if err != nil {
		t.Fatal(err)
	}
	noise := make([]byte, 50_000)
	for i := range noise {
		noise[i] = byte(i * i >> 3)
	}
	for name, b := range map[string][]byte{
		"text.mp4": []byte(strings.Repeat("this is not a film\n", 300)), "noise.mkv": noise, "one.avi": {0},
		"head.mkv": mp4[:200], "empty.mp4": {},
	} {
		path := put(t, name, b)
		_, err := Probe(t.Context(), path, Options{})
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind == fault.Unexpected || f.Mend == "" || f.File != path {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Cut in the middle: what is there is read, and the loss is told or is an error.
	info, err := Probe(t.Context(), put(t, "half.mkv", mp4[:len(mp4)/2]), Options{})
	if err == nil && (info.Frames == 0 || info.Frames >= 50) {
		t.Errorf("half a film has %d frames", info.Frames)
	}
	for _, path := range []string{filepath.Join(t.TempDir(), "none.mp4"), t.TempDir()} {
		if _, err := Probe(t.Context(), path, Options{}); err == nil || fault.KindOf(err) == fault.Unexpected {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func TestCancelAndCallersError(t *testing.T) {
	t.Parallel()
	path := put(t, "film.avi", threeShots(24, 1).AVI())
	mine := errors.New("enough")
	each(t, func(t *testing.T, o Options) {
		if _, err := Frames(t.Context(), path, o, func(g Grey) error {
			if g.Index == 3 {
				return mine
			}
			return nil
		}); err != mine {
			t.Errorf("the caller's error: %v", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		dst := filepath.Join(t.TempDir(), "s.wav")
		if _, err := Sound(ctx, path, 48000, dst, o); fault.KindOf(err) != fault.Interrupted {
			t.Errorf("cancelled: %v", err)
		}
		if left, _ := os.ReadDir(filepath.Dir(dst)); len(left) > 0 {
			t.Errorf("left behind: %v", left)
		}
	})
}

func TestFramesAreTheFilm(t *testing.T) {
	t.Parallel()
	f := threeShots(25, 1)
	path := put(t, "film.avi", f.AVI())
	each(t, func(t *testing.T, o Options) {
		next := int64(0)
		info, err := Frames(t.Context(), path, o, func(g Grey) error {
			if g.Index != next || g.W != 96 || g.H != 72 || !bytes.Equal(g.Pix, f.Frames[g.Index]) {
				return fmt.Errorf("frame %d is not what went in", next)
			}
			next++
			return nil
		})
		if err != nil || next != 50 || info.Frames != 50 {
			t.Errorf("%d frames, %+v, %v", next, info, err)
		}
	})
}

// FuzzMessages feeds the readers of FFmpeg's words: nothing may panic or grow.
func FuzzMessages(f *testing.F) {
	f.Add("[Parsed_showinfo_2 @ 0x1] n:   0 pts:   1001 pts_time:0.04", "pts=1001|dts=-5|duration=1001|flags=K_\n")
	f.Add("[Parsed_showinfo_2 @ 0x1] config in time_base: 1/24000, frame_rate: 24/1", "pts=N/A|duration=N/A|flags=_D\n")
	f.Add("[Parsed_ashowinfo_1 @ 0x1] n:0 pts:-5 nb_samples:1024 x", "pts=9223372036854775807|duration=9223372036854775807\n")
	f.Add("[Parsed_showinfo_", strings.Repeat("x", 9000))
	f.Fuzz(func(t *testing.T, line, packets string) {
		e := &evener{w: 4, h: 4, rate: timecode.Rate24, base: timecode.R(1, 1000), note: func(string, ...any) {}, fn: func(Grey) error { return nil }}
		p := &pairer{size: 16, each: e.push, rebase: func(b timecode.Ratio) { e.base = b }}
		for range 3 {
			p.message(decoder.Info, line)
			if err := p.data(make([]byte, 16)); err != nil {
				t.Fatal(err)
			}
		}
		s := &soundPairer{channels: 2, each: func(int64, bool, []float32) error { return nil }, rebase: func(timecode.Ratio) {}}
		s.message(decoder.Info, line)
		s.data(make([]byte, 64))
		var pts []int64
		l := &packetLines{each: func(at, dur int64, has, drop bool) error { pts = append(pts, at); return nil }}
		if err := l.write([]byte(packets)); err != nil {
			t.Fatal(err)
		}
		slices.Sort(pts)
		findRate(slices.Compact(pts), timecode.R(1, 1000), &probeStream{RealRate: line, AverageRate: packets})
	})
}
