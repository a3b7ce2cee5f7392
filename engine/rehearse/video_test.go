package rehearse

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/fault"
	"cuechoir/internal/reftool"
)

func writeSound(t *testing.T, path string, x []float32) {
	t.Helper()
	if err := audiotest.Write(path, 48000, 24, x); err != nil {
		t.Fatal(err)
	}
}

// stripes is a still that differs from frame to frame.
func stripes(frame int64, dst []byte) error {
	for i := range dst {
		if (i%Width/16+int(frame))%4 == 0 {
			dst[i] = 200
		}
	}
	return nil
}

// What ffmpeg reads back has each frame in its place: it is far nearer to the
// frame drawn for it than to its neighbours; and the sound is where it was, to
// half a millisecond.
func TestVideoIsExact(t *testing.T) {
	reftool.Need(t, "ffmpeg")
	p := mustPlan(t, Options{Rate: timecode.Rate23976, SampleRate: 48000, From: 10, To: 34})
	dir := t.TempDir()
	wav, mp4 := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.mp4")
	x := render(t, p, nil, 0)
	writeSound(t, wav, x)
	told := int64(0)
	if err := WriteVideo(context.Background(), mp4, wav, p, 86400, stripes, func(done, total int64) { told = done }); err != nil {
		t.Fatal(err)
	}
	grey, err := exec.Command("ffmpeg", "-v", "error", "-i", mp4, "-map", "0:v", "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", "gray", "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	const size = Width * Height
	if int64(len(grey)) != p.Frames*size || told != p.Frames {
		t.Fatalf("%d frames came back, %d were told, want %d", len(grey)/size, told, p.Frames)
	}
	drawn := make([]byte, size)
	for j := p.Passes[0].StartFrame - 2; j < p.Passes[0].StartFrame+24; j += 1 + 4*thinned {
		got := grey[j*size : (j+1)*size]
		var apart [3]float64
		for d := range apart {
			if err := p.Draw(drawn, j+int64(d)-1, 86400, stripes); err != nil {
				t.Fatal(err)
			}
			for i, v := range drawn {
				apart[d] += math.Abs(float64(v) - float64(got[i]))
			}
		}
		if apart[1] > 8*size || j >= p.Passes[0].StartFrame && (apart[1] > apart[0]/2 || apart[1] > apart[2]/2) {
			t.Errorf("frame %d: %.2f from its drawing, %.2f and %.2f from its neighbours'", j, apart[1]/size, apart[0]/size, apart[2]/size)
		}
	}
	checkSoundInPlace(t, mp4, x)
}

// checkSoundInPlace correlates what ffmpeg decodes with what was written.
func checkSoundInPlace(t *testing.T, file string, x []float32) {
	t.Helper()
	pcm, err := exec.Command("ffmpeg", "-v", "error", "-i", file, "-map", "0:a", "-ac", "1", "-ar", "48000", "-f", "s16le", "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	y := make([]float64, len(pcm)/2)
	for i := range y {
		y[i] = float64(int16(uint16(pcm[2*i])|uint16(pcm[2*i+1])<<8)) / 32768
	}
	best, at := 0.0, 0
	for lag := -2200; lag <= 2200; lag += 4 { // as far as an encoder's own delay, common practice: 1024 or 2112 samples
		sum := 0.0
		for i := 167500; i < 181000; i++ { // the whole beep of the start
			sum += float64(x[i]) * y[i+lag]
		}
		if sum > best {
			best, at = sum, lag
		}
	}
	if at < -24 || at > 24 {
		t.Errorf("the sound is %d samples late", at)
	}
}

// The counter's digits are all different, and the text is where it is asked.
func TestDraw(t *testing.T) {
	p := mustPlan(t, Options{Rate: timecode.Rate24, SampleRate: 48000, From: 240, To: 480})
	draw := func(j int64) []byte {
		dst := make([]byte, Width*Height)
		if err := p.Draw(dst, j, 0, nil); err != nil {
			t.Fatal(err)
		}
		return dst
	}
	seen := map[[7]byte]rune{}
	for c, g := range glyphs {
		if other, ok := seen[g]; ok {
			t.Errorf("%q and %q look alike", c, other)
		}
		seen[g] = c
	}
	start := p.Passes[0].StartFrame
	first, second := draw(start), draw(start+1)
	if bytes.Count(first[:Width*StillHeight], []byte{255}) != Width*StillHeight {
		t.Error("the start frame is not white")
	}
	if bytes.Count(second[:Width*StillHeight], []byte{0}) != Width*StillHeight {
		t.Error("without a still the picture is not black")
	}
	want := make([]byte, Width*Height)
	drawText(want, "00:00:10:01", Width/2, StillHeight+34, 7)
	drawText(want, "0.0 s", Width/4, StillHeight+90, 6)
	drawText(want, "f241", 3*Width/4, StillHeight+90, 6)
	if !bytes.Equal(second, want) {
		t.Error("the counter of frame 241 is another")
	}
	one := make([]byte, Width*Height)
	drawText(one, "1", 3, 4, 1) // a letter of 5 by 7 points, its middle at 3, 4
	for y, row := range []string{"00100", "01100", "00100", "00100", "00100", "00100", "01110"} {
		for x, c := range row {
			if (one[(y+1)*Width+x+1] == 255) != (c == '1') {
				t.Errorf("the letter 1 at %d, %d", x, y)
			}
		}
	}
	drawText(one, "8888", 0, 0, 60) // hangs over every edge
}

func TestVideoFailsClearly(t *testing.T) {
	p := mustPlan(t, Options{Rate: timecode.Rate24, SampleRate: 48000, From: 0, To: 24})
	dir := t.TempDir()
	wav := filepath.Join(dir, "in.wav")
	writeSound(t, wav, make([]float32, p.Length))
	write := func(ctx context.Context, path, wav string, still Still) error {
		return WriteVideo(ctx, path, wav, p, 0, still, nil)
	}
	t.Run("without ffmpeg", func(t *testing.T) {
		t.Setenv("PATH", dir)
		err := write(context.Background(), filepath.Join(dir, "a.mp4"), wav, nil)
		if fault.KindOf(err) != fault.Missing || !strings.Contains(err.Error(), "install ffmpeg") {
			t.Error(err)
		}
	})
	reftool.Need(t, "ffmpeg")
	if err := write(context.Background(), filepath.Join(dir, "a.mp4"), filepath.Join(dir, "none.wav"), nil); err == nil || !strings.Contains(err.Error(), "none.wav") {
		t.Errorf("a sound that is not there: %v", err)
	}
	if err := write(context.Background(), filepath.Join(dir, "no", "a.mp4"), wav, nil); err == nil {
		t.Error("a folder that is not there was written to")
	}
	broken := errors.New("a still is damaged")
	if err := write(context.Background(), filepath.Join(dir, "a.mp4"), wav, func(int64, []byte) error { return broken }); !errors.Is(err, broken) {
		t.Errorf("a damaged still: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	err := write(ctx, filepath.Join(dir, "a.mp4"), wav, func(int64, []byte) error { cancel(); return nil })
	if fault.KindOf(err) != fault.Interrupted {
		t.Errorf("stopped: %v", err)
	}
}
