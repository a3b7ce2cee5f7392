//go:build unix

package track

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// A laptop that sleeps in the middle of a take, which is a program that is
// stopped and goes on later: the take ends there, whole, and the reason is
// told with what to do.
func TestSleepEndsTheTake(t *testing.T) {
	dir := t.TempDir()
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), killFolder+"="+dir)
	var said bytes.Buffer
	child.Stdout = &said
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer child.Process.Kill()
	wav := filepath.Join(dir, "takes", "a", "001.wav")
	for begin := time.Now(); ; time.Sleep(10 * time.Millisecond) {
		if st, err := os.Stat(wav); err == nil && st.Size() > 3*24_000 {
			break
		}
		if time.Since(begin) > 20*time.Second {
			t.Fatal("the child does not record")
		}
	}
	child.Process.Signal(syscall.SIGSTOP)
	time.Sleep(sleepLimit + 400*time.Millisecond)
	child.Process.Signal(syscall.SIGCONT)
	ended := make(chan error, 1)
	go func() { ended <- child.Wait() }()
	select {
	case <-ended:
	case <-time.After(10 * time.Second):
		t.Fatal("the take goes on as if nothing had been")
	}
	text := said.String()
	if !strings.Contains(text, "slept or the program was stopped for 2.") || !strings.Contains(text, "what was sung before is kept") {
		t.Errorf("it said %q", text)
	}
	info, _, err := take.Load(dir, "a", "001")
	if err != nil || info.State != take.Whole || info.Frames < 24_000 || !strings.Contains(info.Stopped, "slept") {
		t.Fatalf("%+v %v", info, err)
	}
	checkMarks(t, dir, info.Frames)
}

// turning is a device that says 48 kHz and delivers another rate from a frame
// on, by the wall clock, as one does whose sound system turned it over.
type turning struct {
	device.Virtual
	at   int64
	rate float64
	quit chan struct{}
	done chan struct{}
}

func (d *turning) WallClock() bool { return true }

func (d *turning) Start(cb device.Callback) error {
	d.quit, d.done = make(chan struct{}), make(chan struct{})
	go func() {
		defer close(d.done)
		const n = 480
		in, out := make([]float32, n), make([]float32, 2*n)
		due := time.Now()
		for at := int64(0); ; at += n {
			rate := 48000.0
			if at >= d.at {
				rate = d.rate
			}
			due = due.Add(time.Duration(n / rate * float64(time.Second)))
			select {
			case <-d.quit:
				return
			case <-time.After(time.Until(due)):
			}
			marks(in, at)
			cb(out, in, n)
		}
	}()
	return nil
}

func (d *turning) Stop() error {
	if d.quit != nil {
		close(d.quit)
		<-d.done
		d.quit = nil
	}
	return nil
}

// A device that changes its rate in the middle: all that it delivered is kept, and
// the take says which rate it was, from where on, and that it lies out of place, by
// about as much. One that begins at another rate is refused before anyone sings.
func TestRateChange(t *testing.T) {
	const tries = 4 // the made device runs by the clock of a machine that may be busy
	for try := 1; ; try++ {
		wrong := turnedOver(t)
		if wrong == "" {
			break
		}
		if t.Logf("try %d: %s", try, wrong); try == tries {
			t.Fatal(wrong)
		}
	}
	other := &turning{}
	other.SampleRate = 44_100
	_, err := Record(context.Background(), other, Plan{SampleRate: 48000, To: 48000}, newTake(t, t.TempDir()), nil)
	if fault.KindOf(err) != fault.Device || !strings.Contains(err.Error(), "set the device to 48000 Hz") {
		t.Errorf("a device at 44.1 kHz: %v", err)
	}
}

// turnedOver records a device that turns to 44.1 kHz after 1.5 s, and says what is
// told wrongly of it.
func turnedOver(t *testing.T) (wrong string) {
	const length, at = 48000 * 5, 72_000
	dir, told := t.TempDir(), 0.0
	res, err := Record(context.Background(), &turning{at: at, rate: 44_100}, Plan{SampleRate: 48000, To: length}, newTake(t, dir), func(s Status) { told = s.RateHz })
	if err != nil || res.Take.State != take.Whole || res.Frames != length {
		t.Fatalf("%+v %v", res, err)
	}
	checkMarks(t, dir, res.Frames)
	// From 1.5 s on 8.1 % are missing: the take says what the clock had seen by the end.
	const missing = (length - at) * (48000.0/44100 - 1)
	slipped, r := -float64(res.Take.Slipped), res.Take.Rate
	switch {
	case !res.Slip.Slipped || slipped < missing/4 || slipped > 1.3*missing:
		return fmt.Sprintf("slipped by %d, about %.0f are missing: %+v", res.Take.Slipped, missing, res.Slip)
	case r == nil:
		return "another rate is not told"
	case device.NamedRate(r.Hz) != 44_100 || r.Sample < 48_000 || r.Sample > 110_000:
		return fmt.Sprintf("told as %+v", *r)
	case math.Abs(told-44_100) > 500:
		return fmt.Sprintf("the last word while it ran: %v Hz", told)
	}
	t.Logf("%+v; %.0f samples are missing by the wall clock; the take says %d", *r, missing, res.Take.Slipped)
	return ""
}
