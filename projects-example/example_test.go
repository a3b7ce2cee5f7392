package example

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/projects-example/draw"
)

const sampleRate = 48000

func film(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "trailer.mp4")
	if err := os.WriteFile(path, Trailer(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestTrailerIsThere(t *testing.T) {
	b := Trailer()
	if len(b) < 200_000 || len(b) > 2_000_000 {
		t.Fatalf("trailer.mp4 has %d bytes, want 0.2 to 2 million", len(b))
	}
	if string(b[4:8]) != "ftyp" {
		t.Error("trailer.mp4 is no MP4 file")
	}
	b[0]++
	if bytes.Equal(b, Trailer()) {
		t.Error("Trailer hands out its own bytes")
	}
}

// An independent reader counts the frames, and reads rate, timecode and sound.
func TestTrailerByFFprobe(t *testing.T) {
	if _, err := exec.LookPath("ffprobe"); err != nil {
		t.Skip("SKIPPED: ffprobe is not on the PATH, so trailer.mp4 is not compared with the truth")
	}
	out, err := exec.Command("ffprobe", "-v", "error", "-count_packets", "-show_entries",
		"stream=codec_name,width,height,nb_read_packets,r_frame_rate,channels,duration_ts,time_base:stream_tags=timecode", "-of", "compact", film(t)).CombinedOutput()
	if err != nil {
		t.Fatalf("ffprobe: %v: %s", err, out)
	}
	for _, want := range []string{"codec_name=h264", "codec_name=aac", fmt.Sprintf("width=%d", draw.Width), fmt.Sprintf("height=%d", draw.Height), "channels=1",
		fmt.Sprintf("nb_read_packets=%d|", Frames), "r_frame_rate=" + Rate().String(), "timecode=" + StartTimecode} {
		if !strings.Contains(string(out), want) {
			t.Errorf("ffprobe does not say %q:\n%s", want, out)
		}
	}
}

// drawer keeps the frames it has drawn.
type drawer struct {
	artist *draw.Artist
	drawn  map[int64]*image.Gray
}

func (d drawer) frame(n int64) *image.Gray {
	if d.drawn[n] == nil {
		d.drawn[n] = d.artist.Frame(n)
	}
	return d.drawn[n]
}

// change is how far frame n is from the one before, in grey steps on the mean.
func (d drawer) change(n int64) float64 { return difference(d.frame(n-1), d.frame(n)) }

func (d drawer) mean(n int64) float64 { return difference(d.frame(n), image.NewGray(d.frame(n).Rect)) }

func TestPictures(t *testing.T) {
	d := drawer{draw.NewArtist(), map[int64]*image.Gray{}}
	t.Run("hard cuts", func(t *testing.T) { checkCuts(t, d) })
	t.Run("slow changes", func(t *testing.T) { checkSlowChanges(t, d) })
	t.Run("file", func(t *testing.T) { checkFile(t, d) })
}

// Each frame of the file on both sides of every cut is the frame that was drawn.
func checkFile(t *testing.T, d drawer) {
	if _, err := exec.LookPath("ffmpeg"); err != nil {
		t.Skip("SKIPPED: ffmpeg is not on the PATH, so trailer.mp4 is not compared with the drawing")
	}
	var out bytes.Buffer
	cmd := exec.Command("ffmpeg", "-v", "error", "-i", film(t), "-map", "0:v", "-f", "rawvideo", "-pix_fmt", "gray", "pipe:1")
	cmd.Stdout = &out
	if err := cmd.Run(); err != nil {
		t.Fatal(err)
	}
	const size = draw.Width * draw.Height
	if out.Len() != Frames*size {
		t.Fatalf("the film has %d bytes of frames, want %d frames", out.Len(), Frames)
	}
	var check []int64
	for _, c := range Truth() {
		check = append(check, c.Frame-1, c.Frame)
	}
	for _, n := range check {
		got := out.Bytes()[n*size : (n+1)*size]
		want := d.frame(n)
		diff := 0.0
		for i, v := range want.Pix {
			diff += math.Abs(float64(v) - float64(got[i]))
		}
		if mean := diff / size; mean > 6 {
			t.Errorf("frame %d of the file is %.1f grey steps from the drawing on the mean", n, mean)
		}
	}
}

// The picture changes where the truth says: far more at a hard cut than between
// the frames beside it.
func checkCuts(t *testing.T, d drawer) {
	cuts := 0
	for _, c := range Truth() {
		if err := c.Validate(Frames); err != nil {
			t.Errorf("%v", err)
		}
		if c.Kind != cutlist.HardCut {
			continue
		}
		cuts++
		at, near := d.change(c.Frame), max(d.change(c.Frame-1), d.change(c.Frame+2))
		if at < 12 || at < 1.7*near {
			t.Errorf("cut at %d changes the picture by %.1f grey steps, its neighbours by %.1f", c.Frame, at, near)
		}
	}
	if cuts < 14 {
		t.Errorf("%d hard cuts, want 14 or more", cuts)
	}
}

// Fades begin and end where the truth says, at black, and the dissolve is slow.
func checkSlowChanges(t *testing.T, d drawer) {
	for _, c := range Truth() {
		switch c.Kind {
		case cutlist.FadeIn:
			if d.mean(c.Frame-1) != 0 || d.mean(c.Frame) == 0 || d.mean(c.Frame+12) > 0.8*d.mean(c.End) {
				t.Error("the fade in is not where it should be")
			}
		case cutlist.FadeOut:
			if d.mean(c.End) != 0 || d.mean(c.End-1) == 0 || d.mean(c.End-12) > 0.8*d.mean(c.Frame-1) {
				t.Error("the fade out is not where it should be")
			}
		case cutlist.Dissolve:
			whole, once := difference(d.frame(c.Frame-1), d.frame(c.End)), d.change(c.Frame+12)
			if once > whole/3 || whole < 12 {
				t.Errorf("the dissolve is no slow change: %.1f at once of %.1f", once, whole)
			}
		}
	}
}

func difference(a, b *image.Gray) float64 {
	s := 0.0
	for i, v := range a.Pix {
		s += math.Abs(float64(v) - float64(b.Pix[i]))
	}
	return s / float64(len(a.Pix))
}
