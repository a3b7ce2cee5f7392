package picture

import (
	"bytes"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/reftool"
)

// shape is a film that comes in an unusual way, and the truth of it.
type shape struct {
	name   string
	path   func(t *testing.T) string
	rate   timecode.Rate
	frames int64
	cuts   []int64
	w, h   int
	vfr    bool
	silent bool
	lag    int    // samples by which the sound stands later than in the film
	rounds int    // by which it may be rounded
	notes  string // what is told, in part; "" for nothing
	both   bool   // asked of both engines; all are where the tools are required
}

func with264(more ...string) []string {
	return append([]string{"-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p"}, more...)
}

// TestShapes: films of phones, cameras, discs and editors, each made by the
// native ffmpeg from a film of which all is known, read by both engines where
// it says so.
func TestShapes(t *testing.T) {
	needTools(t)
	film := shots().AVI()
	sound := shots().Sound
	all := reftool.Required()
	for i, c := range []shape{
		{name: "trimmed by an edit list", both: true, rate: timecode.Rate23976, frames: 50, cuts: []int64{7, 23, 36}, lag: -20_020, rounds: 1,
			path: func(t *testing.T) string {
				// One group of pictures: the copy keeps them all, and an edit list hides ten.
				whole := encode(t, film, "whole.mov", with264("-g", "999", "-c:a", "pcm_s16le")...)
				return copied(t, whole, "edit.mov", []string{"-ss", "0.41709"}, "-map", "0")
			}},
		{name: "picture delayed by an edit list", rate: timecode.Rate23976, frames: 60, cuts: shotsCuts, lag: -24_000, rounds: 48,
			notes: "begins 0.50 s before the picture",
			path: func(t *testing.T) string {
				whole := encode(t, film, "whole.mp4", with264("-c:a", "aac")...)
				return copied(t, whole, "late.mp4", []string{"-itsoffset", "0.5"}, "-map", "0:v", "-map", "1:a")
			}},
		{name: "sound that begins late", rate: timecode.Rate23976, frames: 60, cuts: shotsCuts, lag: 24_000, rounds: 48,
			notes: "begins 0.50 s after the picture",
			path: func(t *testing.T) string {
				whole := encode(t, film, "whole.mov", with264("-c:a", "pcm_s16le")...)
				return copied(t, whole, "late.mov", []string{"-itsoffset", "0.5"}, "-map", "1:v", "-map", "0:a")
			}},
		{name: "sound that lasts longer", rate: timecode.Rate23976, frames: 60, cuts: shotsCuts,
			notes: "lasts 0.80 s longer than the picture",
			path: func(t *testing.T) string {
				return encode(t, film, "long.mov", with264("-af", "apad=pad_len=38400", "-c:a", "pcm_s16le")...)
			}},
		{name: "sound that ends early", rate: timecode.Rate23976, frames: 60, cuts: shotsCuts,
			notes: "ends 0.50 s before the picture",
			path: func(t *testing.T) string {
				return encode(t, film, "short.mov", with264("-af", "atrim=end_sample=96120", "-c:a", "pcm_s16le")...)
			}},
		{name: "turned on its side", both: true, rate: timecode.Rate23976, frames: 60, cuts: shotsCuts, w: 72, h: 96,
			path: func(t *testing.T) string {
				whole := encode(t, film, "whole.mp4", with264("-c:a", "aac")...)
				return copied(t, whole, "turned.mp4", nil, "-map", "0", "-metadata:s:v", "rotate=90")
			}},
		{name: "wide points", rate: timecode.Rate23976, frames: 60, cuts: shotsCuts, w: 128, h: 72,
			path: func(t *testing.T) string {
				return encode(t, film, "wide.mp4", with264("-vf", "setsar=4/3", "-c:a", "aac")...)
			}},
		{name: "50 fields a second", both: true, rate: timecode.Rate25, frames: 60, cuts: []int64{17, 33, 46}, notes: "interlaced", lag: 0,
			path: func(t *testing.T) string {
				fields := shotsAt(timecode.Rate50, 120, []int64{34, 66, 92})
				return encode(t, fields.AVI(), "fields.mpg", "-vf", "tinterlace=interleave_top,fieldorder=tff", "-c:v", "mpeg2video",
					"-flags", "+ilme+ildct", "-b:v", "3M", "-pix_fmt", "yuv420p", "-c:a", "ac3")
			}},
		{name: "an AVI with pictures left out", vfr: true, rate: timecode.Rate23976, frames: 60, cuts: shotsCuts, notes: "do not come evenly",
			path: func(t *testing.T) string {
				return encode(t, film, "gaps.avi", with264("-bf", "2", "-vf", "select=not(between(n\\,5\\,6)+eq(n\\,40))",
					"-fps_mode", "passthrough", "-c:a", "pcm_s16le")...)
			}},
		{name: "3:2 pulldown in the picture", rate: timecode.Rate2997, frames: 75, cuts: []int64{21, 41, 55},
			path: func(t *testing.T) string {
				// 2, 3, 2, 3 ... fields of each film picture: picture 17 begins on field 42.
				drawn := shotsAt(timecode.Rate23976, 60, []int64{17, 33, 44})
				return encode(t, drawn.AVI(), "pulled.mp4", with264("-vf", "telecine=pattern=23", "-c:a", "aac")...)
			}},
		{name: "3:2 pulldown by flags", both: true, rate: timecode.Rate23976, frames: 60, cuts: shotsCuts, rounds: 1,
			path: func(t *testing.T) string { return pulledByFlags(t, true) }},
		{name: "pictures without times", silent: true, rate: timecode.Rate23976, frames: 60, cuts: shotsCuts,
			path: func(t *testing.T) string { return pulledByFlags(t, false) }},
		{name: "a phone's uneven frames", both: true, vfr: true, rate: timecode.Rate30, frames: phonePlace(59) + 1, rounds: 1,
			cuts: []int64{phonePlace(17), phonePlace(33), phonePlace(46)}, notes: "do not come evenly",
			path: func(t *testing.T) string {
				return encode(t, film, "phone.mp4", with264("-vf", "settb=1/90000,setpts="+phoneTicks, "-fps_mode", "passthrough",
					"-enc_time_base", "1/90000", "-video_track_timescale", "90000", "-c:a", "aac")...)
			}},
	} {
		if underRace && i%5 != 0 {
			continue
		}
		if c.w == 0 {
			c.w, c.h = 96, 72
		}
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			path := c.path(t)
			native, err := read(t, path, decoder.Native)
			if err != nil {
				t.Fatal(err)
			}
			c.check(t, native, sound)
			if underRace || !all && !c.both {
				return
			}
			embedded, err := read(t, path, decoder.Embedded)
			if err != nil {
				t.Fatal(err)
			}
			same(t, embedded, native)
		})
	}
}

func (c shape) check(t *testing.T, s seen, sound []int16) {
	i := s.info
	if i.Rate != c.rate || i.Frames != c.frames || i.VariableRate != c.vfr || i.Width != c.w || i.Height != c.h {
		t.Errorf("read as %+v, want %d frames at %v of %dx%d, variable %v", i, c.frames, c.rate, c.w, c.h, c.vfr)
	}
	if !slices.Equal(s.cuts, c.cuts) {
		t.Errorf("cuts %v, want %v", s.cuts, c.cuts)
	}
	if c.silent || !i.HasSound {
		if c.silent == i.HasSound {
			t.Errorf("has sound: %v", i.HasSound)
		}
	} else if d := lagOf(s.sound, sound, c.lag) - c.lag; d < -c.rounds || d > c.rounds {
		t.Errorf("the sound is %d samples off its place", d)
	}
	if told := strings.Join(i.Notes, "; "); c.notes == "" && told != "" || !strings.Contains(told, c.notes) {
		t.Errorf("told %q, want %q", told, c.notes)
	}
}

// copied makes another file of one, its streams as they are: the file is input
// 0, with the options before it, and input 1.
func copied(t testing.TB, path, name string, before []string, after ...string) string {
	t.Helper()
	return ffmpeg(t, nil, name, slices.Concat(before, []string{"-i", path, "-i", path}, after, []string{"-c", "copy"})...)
}

// A phone keeps time in ticks of a 90 kHz clock: 30 frames a second that come
// up to 1 ms early or late, and from frame 40 on 24 a second, as in poor light.
const phoneTicks = "floor(if(lt(N\\,40)\\,N*3000\\,120000+(N-40)*3750)+90*sin(N*1.7))"

func phonePlace(n int) int64 {
	at := float64(n) * 3000
	if n >= 40 {
		at = 120_000 + float64(n-40)*3750
	}
	return int64(math.Round(math.Floor(at+90*math.Sin(float64(n)*1.7)) / 3000))
}

// pulledByFlags is a film of which the pictures are shown for three and two
// fields in turn: MPEG-2 says so with repeat_first_field (ISO/IEC 13818-2,
// 6.3.10), which FFmpeg's encoder cannot, so its bits are set here.
func pulledByFlags(t *testing.T, clocked bool) string {
	film := shots().AVI()
	plain := encode(t, film, "plain.m2v", "-c:v", "mpeg2video", "-bf", "0", "-b:v", "3M", "-pix_fmt", "yuv420p", "-an")
	b, err := os.ReadFile(plain)
	if err != nil {
		t.Fatal(err)
	}
	picture := 0
	for i := 0; i+9 < len(b); i++ {
		if !bytes.Equal(b[i:i+3], []byte{0, 0, 1}) {
			continue
		}
		switch p := b[i+4:]; {
		case b[i+3] == 0xb3: // sequence header: frame_rate_code 4 is 30000/1001
			p[3] = p[3]&0xf0 | 4
		case b[i+3] == 0xb5 && p[0]>>4 == 1: // sequence extension: progressive_sequence 0
			p[1] &^= 1 << 3
		case b[i+3] == 0xb5 && p[0]>>4 == 8: // picture coding extension
			topFirst := []byte{1, 0, 0, 1}[picture%4]
			repeat := []byte{1, 0, 1, 0}[picture%4]
			p[3] = p[3]&^(1<<7|1<<1) | topFirst<<7 | repeat<<1
			picture++
		}
	}
	if picture != shotsFrames {
		t.Fatalf("%d pictures were marked", picture)
	}
	if err := os.WriteFile(plain, b, 0o644); err != nil {
		t.Fatal(err)
	}
	if !clocked {
		return plain
	}
	return ffmpeg(t, film, "pulled.mpg", "-i", plain, "-i", "pipe:0", "-map", "0:v", "-map", "1:a", "-c:v", "copy", "-c:a", "ac3",
		"-bsf:v", "setts=(floor(N/2)*5+mod(N\\,2)*3)*1501.5") // ticks of 90 kHz, 1501.5 a field
}
