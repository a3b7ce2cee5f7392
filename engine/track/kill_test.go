//go:build unix

package track

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/reftool"

	"golang.org/x/sys/unix"
)

// These tell the test program, started anew, to record until it is killed, and
// the test how often to do it.
const (
	killFolder = "CUECHOIR_TEST_SING_INTO"
	killCount  = "CUECHOIR_KILLS"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(killFolder); dir != "" {
		singUntilKilled(dir)
	}
	os.Exit(m.Run())
}

// singUntilKilled records from a device that runs by the wall clock. A page
// that outlives the process counts what the device has delivered.
func singUntilKilled(dir string) {
	fail := func(err error) {
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
	}
	f, err := os.OpenFile(filepath.Join(dir, "delivered"), os.O_RDWR|os.O_CREATE, 0o666)
	fail(err)
	fail(f.Truncate(8))
	page, err := unix.Mmap(int(f.Fd()), 0, 8, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	fail(err)
	delivered := (*atomic.Int64)(unsafe.Pointer(&page[0]))
	dev := &device.Virtual{Realtime: true, Source: func(dst []float32, at int64) { marks(dst, at) },
		Listener: func(out []float32) { delivered.Add(int64(len(out) / 2)) }}
	w, err := take.Create(dir, "a", take.Info{SampleRate: 48000})
	fail(err)
	_, err = Record(context.Background(), dev, Plan{SampleRate: 48000, To: 48000 * 600, Monitor: marks}, w, nil)
	fail(err)
}

// kill -9 at random moments of a recording: what is missing of what the device
// had delivered is far less than a second, every file is read by the program
// and by soxi, before it is mended and after, and comes back as a take.
func TestKillNineAtRandomMoments(t *testing.T) {
	kills := 24
	if n, err := strconv.Atoi(os.Getenv(killCount)); err == nil && n > 0 {
		kills = n
	}
	const seed, side = 20, 8
	var worst, longest atomic.Int64
	var empty atomic.Int64
	moments := make(chan time.Duration)
	var all sync.WaitGroup
	for range side {
		all.Go(func() {
			for wait := range moments {
				missing, frames := killOnce(t, wait)
				if frames == 0 {
					empty.Add(1)
				}
				raise(&worst, missing)
				raise(&longest, frames)
			}
		})
	}
	r := rand.New(rand.NewPCG(seed, 1))
	for range kills {
		moments <- time.Duration(r.Float64() * float64(1500*time.Millisecond))
	}
	close(moments)
	all.Wait()
	t.Logf("%d kills (seed %d): at most %d samples (%.0f ms) of what the device had delivered are missing; the longest take has %d samples, %d had none yet",
		kills, seed, worst.Load(), float64(worst.Load())/48, longest.Load(), empty.Load())
	if worst.Load() >= 48000 {
		t.Errorf("a second or more was lost")
	}
	if empty.Load() > int64(kills/2) {
		t.Errorf("%d of %d takes had no sound yet: the moments lie too early to show anything", empty.Load(), kills)
	}
}

func raise(most *atomic.Int64, n int64) {
	for {
		old := most.Load()
		if n <= old || most.CompareAndSwap(old, n) {
			return
		}
	}
}

// killOnce starts a recording, kills it after wait, and tells how many samples
// are missing and how many came back.
func killOnce(t *testing.T, wait time.Duration) (missing, frames int64) {
	dir, err := os.MkdirTemp("", "killed")
	if err != nil {
		t.Error(err)
		return 0, 0
	}
	defer os.RemoveAll(dir)
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), killFolder+"="+dir)
	if err := child.Start(); err != nil {
		t.Error(err)
		return 0, 0
	}
	time.Sleep(wait)
	child.Process.Signal(syscall.SIGKILL)
	child.Wait()
	delivered := int64(0)
	if b, err := os.ReadFile(filepath.Join(dir, "delivered")); err == nil && len(b) == 8 {
		delivered = int64(binary.NativeEndian.Uint64(b))
	}
	wav := filepath.Join(dir, "takes", "a", "001.wav")
	if delivered > 48000/2 {
		soxi(t, wav) // as the kill left it
	}
	found, err := take.Recover(dir)
	if err != nil || len(found) > 1 {
		t.Errorf("after %v: recovered %+v %v", wait, found, err)
		return 0, 0
	}
	if len(found) == 0 || found[0].Empty {
		return delivered, 0
	}
	if found[0].Err != nil || found[0].Info.State != take.Recovered {
		t.Errorf("after %v: %+v", wait, found[0])
		return delivered, 0
	}
	frames = found[0].Info.Frames
	if got := soxi(t, wav); got >= 0 && got != frames {
		t.Errorf("after %v: soxi finds %d samples of %d", wait, got, frames)
	}
	checkMarks(t, dir, frames)
	return delivered - frames, frames
}

// checkMarks holds a take against what was sung.
func checkMarks(t *testing.T, dir string, frames int64) {
	info, r, err := take.Load(dir, "a", "001")
	if err != nil || info.Frames != frames {
		t.Errorf("%+v %v", info, err)
		return
	}
	defer r.Close()
	buf := make([]float32, 4096)
	for at := int64(0); at < frames; {
		n, err := r.Read(buf)
		if n == 0 {
			t.Errorf("it ends at %d of %d: %v", at, frames, err)
			return
		}
		for i, v := range buf[:n] {
			if v != mark(at+int64(i)) {
				t.Errorf("sample %d is not what was sung", at+int64(i))
				return
			}
		}
		at += int64(n)
	}
}

// soxi is the number of samples that sox finds, -1 without it.
func soxi(t *testing.T, path string) int64 {
	tool := reftool.Find(t, "soxi")
	if tool == "" {
		return -1
	}
	out, err := exec.Command(tool, "-s", path).Output()
	if err != nil {
		t.Errorf("soxi: %v", err)
		return -1
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(out)), 10, 64)
	if err != nil {
		t.Error(err)
	}
	return n
}
