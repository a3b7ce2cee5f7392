//go:build unix

package pitch

import (
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"cuechoir/internal/reftool"
	"cuechoir/internal/singer"
)

// userTime is the processor time of this process so far, all threads.
func userTime(b *testing.B) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		b.Fatal(err)
	}
	return time.Duration(r.Utime.Nano())
}

// BenchmarkUserSeconds is the user time that a minute and two seconds of
// singing take, beside that of aubio's cheapest method (yinfast) in the same
// run, at twice its number of frames.
func BenchmarkUserSeconds(b *testing.B) {
	const sr = 48000
	v := singer.Voice{Seed: 1, SampleRate: sr, Breath: 0.02, JitterCents: 3, NoiseDB: -55}
	notes := compass(sr, "", "t", "s", "m")
	for _, n := range compass(sr, "k", "", "l")[:24] {
		n.Start += 41 * sr
		notes = append(notes, n)
	}
	x := v.Sing(notes, 0, 62*sr)
	path := filepath.Join(b.TempDir(), "sung.wav")
	if err := writeWAV(path, x, sr); err != nil {
		b.Fatal(err)
	}
	b.Run("here", func(b *testing.B) {
		from := userTime(b)
		for b.Loop() {
			if _, err := Track(x, sr, Options{}); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric((userTime(b)-from).Seconds()/float64(b.N), "user-s/op")
	})
	b.Run("yinfast", func(b *testing.B) {
		tool := reftool.Need(b, "aubiopitch")
		var user time.Duration
		for b.Loop() {
			c := exec.Command(tool, "-i", path, "-p", "yinfast", "-B", "4096", "-H", "480")
			if err := c.Run(); err != nil {
				b.Fatal(err)
			}
			user += c.ProcessState.UserTime()
		}
		b.ReportMetric(user.Seconds()/float64(b.N), "user-s/op")
	})
}
