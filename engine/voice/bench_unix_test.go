//go:build unix

package voice

import (
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"cuechoir/internal/reftool"
)

// BenchmarkBesideRubberband is the processor time of 60 s an octave down, ours
// with all its listening, beside rubberband's third engine with the formants
// kept, in the same run.
func BenchmarkBesideRubberband(b *testing.B) {
	bin := reftool.Need(b, "rubberband")
	x := melody(60)
	dir := b.TempDir()
	in, out := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.wav")
	writeWAV(b, in, x)
	var ours, theirs time.Duration
	for b.Loop() {
		before := processorTime(b)
		render(b, listen(b, x), Edits{Cents: constant(-1200)})
		ours += processorTime(b) - before
		cmd := exec.Command(bin, "-q", "-3", "-F", "-p", "-12", in, out)
		if msg, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("%v: %s", err, msg)
		}
		theirs += cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	}
	b.ReportMetric(ours.Seconds()/float64(b.N), "s-ours")
	b.ReportMetric(theirs.Seconds()/float64(b.N), "s-rubberband")
	b.ReportMetric(float64(ours)/float64(theirs), "of-rubberband")
}

func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
