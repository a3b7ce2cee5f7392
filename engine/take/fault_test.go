package take

import (
	"fmt"
	"slices"
	"syscall"
	"testing"

	"cuechoir/internal/fault"
)

// Each call to the disk fails in turn, for good or once, with an I/O error or
// a full disk. Whatever fails, the recording says so, and after the next
// start every sample that Append took in is there.
func TestEveryCallFails(t *testing.T) {
	clean := &faulty{folder: layerFolder(t, t.TempDir()), budget: -1}
	if _, _, err := recordWith(clean); err != nil {
		t.Fatal(err)
	}
	if clean.calls < 40 {
		t.Fatalf("only %d calls to the disk", clean.calls)
	}
	for _, kind := range []error{syscall.ENOSPC, syscall.EIO} {
		for _, once := range []bool{false, true} {
			for at := 1; at <= clean.calls; at++ {
				dir := t.TempDir()
				f := &faulty{folder: layerFolder(t, dir), failAt: at, err: kind, once: once, short: at%2 == 0, budget: -1}
				taken, id, err := recordWith(f)
				place := fmt.Sprintf("%v at call %d (%s), once %v", kind, at, f.log[at-1], once)
				if err == nil {
					t.Fatalf("%s: went by unsaid", place)
				}
				if want := map[error]fault.Kind{syscall.ENOSPC: fault.DiskFull, syscall.EIO: fault.Unexpected}[kind]; fault.KindOf(err) != want {
					t.Fatalf("%s: said %v of kind %v", place, err, fault.KindOf(err))
				}
				if _, err := Recover(dir); err != nil {
					t.Fatalf("%s: recovery: %v", place, err)
				}
				if taken == 0 {
					continue
				}
				info, got := readAll(t, dir, "a", id)
				if len(got) < taken || !slices.Equal(got, voice(0, len(got))) {
					t.Fatalf("%s: %d of %d samples are there, state %s", place, len(got), taken, info.State)
				}
				if err := Verify(dir, "a", id); err != nil {
					t.Fatalf("%s: %v", place, err)
				}
			}
		}
	}
}

func layerFolder(t *testing.T, dir string) rootFolder {
	f, err := openLayer(dir, "a", true)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// The disk is full after any number of bytes: what fitted is kept.
func TestFullAtByte(t *testing.T) {
	for budget := int64(0); budget < 72_000; budget += 1999 {
		dir := t.TempDir()
		taken, id, err := recordWith(&faulty{folder: layerFolder(t, dir), budget: budget})
		if fault.KindOf(err) != fault.DiskFull {
			t.Fatalf("full after %d bytes: %v", budget, err)
		}
		if _, err := Recover(dir); err != nil {
			t.Fatal(err)
		}
		if taken == 0 {
			continue
		}
		if _, got := readAll(t, dir, "a", id); len(got) < taken || !slices.Equal(got, voice(0, len(got))) {
			t.Fatalf("full after %d bytes: %d of %d samples are there", budget, len(got), taken)
		}
	}
}

// The take stops before the disk is full, while the end can still be written.
func TestStopsBeforeFull(t *testing.T) {
	dir := t.TempDir()
	f := &faulty{folder: layerFolder(t, dir), budget: -1, free: keepFree + 1}
	if _, err := createIn(f, "a", Info{SampleRate: 8000}); fault.KindOf(err) != fault.DiskFull {
		t.Fatalf("begun without room: %v", err)
	}
	f.free = keepFree + 8000*bytesPerSample*60
	w, err := createIn(f, "a", Info{SampleRate: 8000})
	if err != nil {
		t.Fatal(err)
	}
	if left, known := w.Room(); !known || left.Seconds() != 60 {
		t.Fatalf("room for %v, want a minute", left)
	}
	if err := w.Append(voice(0, 8000)); err != nil {
		t.Fatal(err)
	}
	f.free = keepFree
	if err := w.Append(voice(8000, 8000)); fault.KindOf(err) != fault.DiskFull {
		t.Fatalf("went on into a full disk: %v", err)
	}
	info, err := w.Finish()
	if err != nil || info.State != Whole || info.Stopped == "" || info.Frames < 12_000 {
		t.Fatalf("%+v %v", info, err)
	}
	if _, got := readAll(t, dir, "a", info.ID); !slices.Equal(got, voice(0, len(got))) {
		t.Fatal("the samples changed")
	}
}

// A power cut loses what the disk was not told: never as much as a second.
func TestSyncedTwiceASecond(t *testing.T) {
	f := &faulty{folder: layerFolder(t, t.TempDir()), budget: -1}
	w, err := createIn(f, "a", Info{SampleRate: 8000})
	if err != nil {
		t.Fatal(err)
	}
	worst := int64(0)
	for at := range 80 {
		if err := w.Append(voice(at*400, 400)); err != nil {
			t.Fatal(err)
		}
		worst = max(worst, f.wrote-f.synced)
	}
	w.Finish()
	if seconds := float64(worst) / (8000 * bytesPerSample); seconds > 0.56 || f.synced != f.wrote {
		t.Fatalf("%.2f s of sound were not on the disk; at the end %d of %d bytes", seconds, f.synced, f.wrote)
	}
}

func BenchmarkAppend(b *testing.B) {
	dir := b.TempDir()
	w, err := Create(dir, "a", Info{SampleRate: 48000})
	if err != nil {
		b.Fatal(err)
	}
	x := voice(0, 4800)
	for b.Loop() {
		if err := w.Append(x); err != nil {
			b.Fatal(err)
		}
	}
	w.Finish()
	b.ReportMetric(float64(b.N)*0.1/b.Elapsed().Seconds(), "x-real-time")
}
