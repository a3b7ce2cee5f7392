package picture

import (
	"bytes"
	"fmt"
	"os/exec"
	"testing"
	"time"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
)

// benchSeconds is the length of the films that are decoded.
const benchSeconds = 5

// benchFilm is H.264 at 24 pictures a second: a slow zoom seen by a hand-held
// camera, with grain, cut each second.
func benchFilm(b *testing.B, w, h int) string {
	needTools(b)
	draw := fmt.Sprintf("mandelbrot=s=%dx%d:rate=24:start_scale=3:end_scale=0.003:end_pts=%d", w+64, h+64, 24*benchSeconds)
	look := fmt.Sprintf("crop=%d:%d:32+20*sin(n/7):32+20*cos(n/11),hue=h='90*floor(n/24)',negate=enable='mod(floor(n/24)\\,2)',noise=alls=6:allf=t", w, h)
	return ffmpeg(b, nil, "bench.mp4", "-f", "lavfi", "-i", draw, "-vf", look, "-frames:v", fmt.Sprint(24*benchSeconds),
		"-c:v", "libx264", "-preset", "veryfast", "-crf", "24", "-pix_fmt", "yuv420p")
}

// BenchmarkDecode gives the speed of each engine, of the cut finder alone on
// the same pictures, and what share of native decoding the finder takes. It
// also runs the bare program to /dev/null, for what our own pipes cost.
func BenchmarkDecode(b *testing.B) {
	for _, size := range [][2]int{{1280, 720}, {1920, 1080}} {
		path := benchFilm(b, size[0], size[1])
		name := fmt.Sprintf("%dp/", size[1])
		var native time.Duration
		var greys []Grey
		for _, e := range []decoder.Engine{decoder.Native, decoder.Embedded} {
			b.Run(name+string(e), func(b *testing.B) {
				greys = greys[:0]
				for b.Loop() {
					greys = greys[:0]
					if _, err := Frames(b.Context(), path, Options{Engine: e}, func(g Grey) error {
						g.Pix = bytes.Clone(g.Pix)
						greys = append(greys, g)
						return nil
					}); err != nil {
						b.Fatal(err)
					}
				}
				if e == decoder.Native {
					native = b.Elapsed() / time.Duration(b.N)
				}
				realTime(b)
			})
		}
		b.Run(name+"ffmpeg-alone", func(b *testing.B) {
			for b.Loop() {
				if err := exec.CommandContext(b.Context(), "ffmpeg", "-v", "error", "-i", path, "-f", "null", "-").Run(); err != nil {
					b.Fatal(err)
				}
			}
			realTime(b)
		})
		b.Run(name+"finder", func(b *testing.B) {
			cuts := 0
			for b.Loop() {
				d := NewDetector(timecode.Rate24)
				for _, g := range greys {
					d.Push(g)
				}
				cuts = len(d.Finish())
			}
			realTime(b)
			b.ReportMetric(float64(cuts), "cuts")
			if native > 0 {
				b.ReportMetric(100*float64(b.Elapsed())/float64(b.N)/float64(native), "%ofNative")
			}
		})
	}
}

func realTime(b *testing.B) {
	b.ReportMetric(benchSeconds*float64(b.N)/b.Elapsed().Seconds(), "xRealTime")
}
