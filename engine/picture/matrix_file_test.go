package picture

import (
	"bytes"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/decoder/decodertest"
	"cuechoir/internal/reftool"
)

// needTools skips loudly without ffmpeg and ffprobe, or fails where the tools
// are required.
func needTools(t testing.TB) {
	t.Helper()
	for _, name := range []string{"ffmpeg", "ffprobe"} {
		reftool.Need(t, name)
	}
}

// encode makes a file with the native ffmpeg from a known film.
func encode(t testing.TB, avi []byte, name string, after ...string) string {
	t.Helper()
	return ffmpeg(t, avi, name, append([]string{"-i", "pipe:0"}, after...)...)
}

// ffmpeg runs the native program; args hold the inputs, in is pipe:0.
func ffmpeg(t testing.TB, in []byte, name string, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), name)
	args = slices.Concat([]string{"-nostdin", "-loglevel", "error", "-y"}, args, []string{"file:" + out})
	cmd := exec.CommandContext(t.Context(), "ffmpeg", args...)
	cmd.Stdin = bytes.NewReader(in)
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("ffmpeg %s: %v\n%s", strings.Join(args, " "), err, said)
	}
	return out
}

// The matrix's film: 60 pictures at 24000/1001 with cuts at known places, and
// from a known sample on a second of a sound that no shift of itself is like.
const (
	shotsFrames  = 60
	shotsSamples = shotsFrames * 2002
	chirpAt      = 24_001
	chirpSamples = 48_000
)

var shotsCuts = []int64{17, 33, 46}

func shots() decodertest.Film { return shotsAt(timecode.Rate23976, shotsFrames, shotsCuts) }

func shotsAt(rate timecode.Rate, frames int, cuts []int64) decodertest.Film {
	f := decodertest.Film{W: 96, H: 72, RateNum: int(rate.Num), RateDen: int(rate.Den), SoundRate: 48000}
	for k := range frames {
		shot := 0
		for _, c := range cuts {
			if int64(k) >= c {
				shot++
			}
		}
		f.Frames = append(f.Frames, shotPicture(f.W, f.H, shot, k))
	}
	f.Sound = make([]int16, rate.SampleOf(int64(frames), 48000))
	for i := range chirpSamples { // 300 to 3000 Hz, a linear sweep
		t := float64(i) / 48000
		f.Sound[chirpAt+i] = int16(12_000 * math.Sin(2*math.Pi*(300*t+2700*t*t/2)))
	}
	return f
}

// shotPicture is one moment of a shot: a pattern of its own with a ball that
// crosses it.
func shotPicture(w, h, shot, k int) []byte {
	p := make([]byte, w*h)
	for i := range p {
		x, y := i%w, i/w
		v := 118 + 55*math.Sin(float64(x*(3+shot*4)+y*(7-3*shot))/17+float64(shot)) +
			40*math.Cos(float64(y*(2+5*shot)-x*shot)/11)
		if dx, dy := x-10-k, y-30; dx*dx+dy*dy < 60 {
			v = float64(20 + 60*shot)
		}
		p[i] = byte(v)
	}
	return p
}

// seen is what one engine makes of a file.
type seen struct {
	info  Info
	cuts  []int64
	sound []float32 // mono, 48 kHz
}

func read(t *testing.T, path string, e decoder.Engine) (seen, error) {
	var s seen
	f, err := Open(t.Context(), path, Options{Engine: e})
	if err != nil {
		return s, err
	}
	defer f.Close()
	_, cuts, err := f.Analyse(t.Context())
	if err != nil {
		return s, err
	}
	for _, c := range cuts {
		s.cuts = append(s.cuts, c.Frame)
	}
	if f.Info().HasSound {
		dst := filepath.Join(t.TempDir(), "sound.wav")
		if _, err := f.Sound(t.Context(), 48000, dst); err != nil {
			return s, err
		}
		if s.sound, _, err = audiofile.ReadMono(dst, 48000, 1<<24); err != nil {
			return s, err
		}
	}
	s.info = f.Info()
	return s, nil
}

// lagOf is by how many samples the known sound comes late in x: of the shifts
// about the one that is expected, that at which the two go together best.
func lagOf(x []float32, want []int16, expected int) int {
	const reach = 500
	best, at := math.Inf(-1), 0
	for lag := expected - reach; lag <= expected+reach; lag++ {
		sum := 0.0
		for i := chirpAt; i < chirpAt+chirpSamples; i++ {
			if j := i + lag; j >= 0 && j < len(x) {
				sum += float64(x[j]) * float64(want[i])
			}
		}
		if sum > best {
			best, at = sum, lag
		}
	}
	return at
}

// form is a container with a picture's and a sound's form.
type form struct {
	ext          string
	video, sound []string
	lag          int  // samples that the sound comes late by what the container says
	saysEnd      bool // it keeps how much of the last block is padding
	rounds       int  // samples by which the container may round the sound's place
	nativeOnly   bool // its parts are compared in other forms; both are asked where the tools are required
}

var (
	x264   = []string{"libx264", "-preset", "ultrafast", "-bf", "2"}
	x265   = []string{"libx265", "-preset", "ultrafast", "-x265-params", "log-level=none"}
	vp9    = []string{"libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8", "-b:v", "400k"}
	av1    = []string{"libaom-av1", "-cpu-used", "8", "-usage", "realtime", "-b:v", "400k"}
	mpeg2  = []string{"mpeg2video", "-bf", "2", "-b:v", "2M"}
	mpeg4  = []string{"mpeg4", "-bf", "2", "-b:v", "1M"}
	aac    = []string{"aac", "-b:a", "96k"}
	mp2    = []string{"mp2", "-b:a", "96k"}
	mp3    = []string{"libmp3lame", "-b:a", "96k"}
	opus   = []string{"libopus", "-b:a", "96k"}
	vorbis = []string{"libvorbis", "-b:a", "96k"}
	ac3    = []string{"ac3", "-b:a", "128k"}
	pcm16  = []string{"pcm_s16le"}
	pcm24  = []string{"pcm_s24le"}
	flac   = []string{"flac"}
)

// blocks are, of each lossy form at 48 kHz, the samples of a block and those
// that FFmpeg's encoder puts before the sound: AAC 1024 and 1024, MP2 1152 and
// 481, MP3 1152 and 1105, AC-3 1536 and 256, Opus 960 and 312 (RFC 7845, 4.2:
// the pre-skip of its encoder), as ffprobe shows of files that it makes.
var blocks = map[string]struct{ size, delay int }{
	"aac": {1024, 1024}, "mp2": {1152, 481}, "libmp3lame": {1152, 1105}, "ac3": {1536, 256}, "libopus": {960, 312},
}

// Matroska keeps whole milliseconds: half of one for the picture's place, half
// for the sound's.
const matroskaRounds = 48

// AVI keeps no delay, so a lossy sound comes late by its encoder's.
var forms = []form{
	{ext: "mp4", video: x264, sound: aac},
	{ext: "mp4", video: x265, sound: ac3, nativeOnly: true},
	{ext: "mp4", video: mpeg4, sound: mp3, nativeOnly: true},
	{ext: "mp4", video: av1, sound: opus},
	{ext: "mp4", video: x264, sound: flac, nativeOnly: true},
	{ext: "mp4", video: vp9, sound: opus, nativeOnly: true},
	{ext: "mov", video: x264, sound: pcm24},
	{ext: "mov", video: mpeg4, sound: aac, nativeOnly: true},
	{ext: "mkv", video: x264, sound: aac, rounds: matroskaRounds, nativeOnly: true},
	{ext: "mkv", video: x265, sound: flac},
	{ext: "mkv", video: vp9, sound: vorbis},
	{ext: "mkv", video: mpeg2, sound: ac3, rounds: matroskaRounds, nativeOnly: true},
	{ext: "mkv", video: mpeg4, sound: mp3, saysEnd: true, rounds: matroskaRounds, nativeOnly: true},
	{ext: "mkv", video: x264, sound: pcm16, nativeOnly: true},
	{ext: "webm", video: vp9, sound: opus, saysEnd: true, rounds: matroskaRounds},
	{ext: "webm", video: av1, sound: opus, saysEnd: true, rounds: matroskaRounds, nativeOnly: true},
	{ext: "webm", video: vp9, sound: vorbis, nativeOnly: true},
	{ext: "avi", video: mpeg4, sound: mp3, lag: 1105},
	{ext: "avi", video: x264, sound: pcm16, nativeOnly: true},
	{ext: "avi", video: mpeg4, sound: ac3, lag: 256, nativeOnly: true},
	{ext: "mpg", video: mpeg2, sound: ac3},
	{ext: "mpg", video: mpeg2, sound: mp2, nativeOnly: true},
	{ext: "ts", video: x264, sound: aac},
	{ext: "ts", video: mpeg2, sound: ac3, nativeOnly: true},
}

func (f form) name() string {
	return fmt.Sprintf("%s-%s-%s", f.ext, strings.TrimPrefix(f.video[0], "lib"), strings.TrimPrefix(f.sound[0], "lib"))
}

// says is the lag that a file states: the form's, or for Opus in Matroska what
// the first packets say by ffprobe, since FFmpeg 5.1 writes such a file with
// its sound early and newer ones may not.
func (f form) says(t *testing.T, path string) int {
	if f.ext != "webm" || f.sound[0] != "libopus" {
		return f.lag
	}
	first := func(stream string) int {
		out, err := exec.CommandContext(t.Context(), "ffprobe", "-v", "error", "-select_streams", stream,
			"-show_entries", "packet=pts", "-of", "csv=p=0", "-read_intervals", "%+#1", path).Output()
		ms, err2 := strconv.Atoi(strings.Trim(string(out), " ,\n"))
		if err != nil || err2 != nil {
			t.Fatalf("ffprobe: %q, %v", out, err)
		}
		return ms * 48
	}
	return first("a:0") + blocks["libopus"].delay - first("v:0")
}

// wantLength checks the sound's length: to the sample where the form keeps it,
// else the whole blocks that hold it.
func (f form) wantLength(n, lag, before int) string {
	b, lossy := blocks[f.sound[0]]
	switch {
	case !lossy && f.sound[0] == "libvorbis": // whole blocks of one of two sizes, at most 2048 / 2
		if n < shotsSamples || n > shotsSamples+1024 {
			return fmt.Sprintf("%d to %d", shotsSamples, shotsSamples+1024)
		}
	case !lossy || f.saysEnd:
		if d := n - shotsSamples - min(before, 0); d < -f.rounds || d > f.rounds {
			return fmt.Sprint(shotsSamples + min(before, 0))
		}
	default:
		whole := (shotsSamples+b.delay+b.size-1)/b.size*b.size - b.delay + f.lag
		if d := n - whole; d < -f.rounds || d > f.rounds {
			return fmt.Sprint(whole)
		}
	}
	return ""
}

// enginesDiffer is how far the sound of the two engines may be apart: lossy
// forms are decoded in floating point, which their builds round differently.
const enginesDiffer = 1.0 / (1 << 20) // -120 dB; measured: 0 or 2^-23, MP3 7 * 2^-23

// TestMatrix: every container with every form of picture and sound, made by
// the native ffmpeg from a film of which all is known: the number of frames,
// the cuts to the frame, the sound's place and length to the sample, and both
// engines the same.
func TestMatrix(t *testing.T) {
	needTools(t)
	film := shots()
	avi := film.AVI()
	all := reftool.Required()
	for i, f := range forms {
		if underRace && i%6 != 0 {
			continue
		}
		t.Run(f.name(), func(t *testing.T) {
			t.Parallel()
			after := append([]string{"-pix_fmt", "yuv420p", "-g", "12", "-strict", "experimental", "-c:v"}, f.video...)
			path := encode(t, avi, "film."+f.ext, append(append(after, "-c:a"), f.sound...)...)
			native, err := read(t, path, decoder.Native)
			if err != nil {
				t.Fatal(err)
			}
			f.check(t, native, path, film.Sound)
			if underRace || f.nativeOnly && !all {
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

func (f form) check(t *testing.T, s seen, path string, sound []int16) {
	if s.info.Rate != timecode.Rate23976 || s.info.VariableRate || s.info.Frames != shotsFrames || len(s.info.Notes) > 0 {
		t.Errorf("read as %+v, want %d frames at 24000/1001 and no notes", s.info, shotsFrames)
	}
	if !slices.Equal(s.cuts, shotsCuts) {
		t.Errorf("cuts %v, want %v", s.cuts, shotsCuts)
	}
	want := f.says(t, path)
	got := lagOf(s.sound, sound, want)
	if d := got - want; d < -f.rounds || d > f.rounds {
		t.Errorf("the sound is %d samples late, the file says %d", got, want)
	}
	if want := f.wantLength(len(s.sound), got, want); want != "" {
		t.Errorf("the sound has %d samples, want %s", len(s.sound), want)
	}
}

// same compares what the engines make of one file.
func same(t *testing.T, embedded, native seen) {
	if !reflect.DeepEqual(embedded.info, native.info) || !slices.Equal(embedded.cuts, native.cuts) {
		t.Errorf("embedded: %+v, cuts %v\nnative: %+v, cuts %v", embedded.info, embedded.cuts, native.info, native.cuts)
	}
	if len(embedded.sound) != len(native.sound) {
		t.Fatalf("embedded: %d samples, native: %d", len(embedded.sound), len(native.sound))
	}
	most := 0.0
	for i, v := range embedded.sound {
		most = max(most, math.Abs(float64(v-native.sound[i])))
	}
	if most > enginesDiffer {
		t.Errorf("the engines' sound is up to %.3g apart", most)
	}
	t.Logf("sound at most %.3g apart", most)
}
