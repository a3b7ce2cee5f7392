package take

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"cuechoir/internal/fault"
)

// childFolder tells the test program, started anew, to record until it is
// killed.
const childFolder = "CUECHOIR_TEST_RECORD_INTO"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childFolder); dir != "" {
		recordForever(dir)
	}
	os.Exit(m.Run())
}

// recordForever appends blocks and says after each how many samples were
// taken in.
func recordForever(dir string) {
	w, err := Create(dir, "a", Info{SampleRate: 48000, Start: -4800})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	for at := 0; ; at += 480 {
		if err := w.Append(voice(at, 480)); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println(at + 480)
	}
}

// kill -9 in the middle of a recording loses no sample that Append had taken
// in (a power cut may lose up to a second: see TestSyncedTwiceASecond).
func TestKillNine(t *testing.T) {
	for _, after := range []int{480, 480 * 37, 48000 * 3} {
		dir := t.TempDir()
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), childFolder+"="+dir)
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		said, last := bufio.NewScanner(out), 0
		for said.Scan() {
			if last, err = strconv.Atoi(said.Text()); err != nil {
				t.Fatalf("the child said %q", said.Text())
			}
			if last >= after {
				break
			}
		}
		if last >= after && after > 480 {
			if found, err := Recover(dir); err != nil || len(found) != 0 {
				t.Errorf("a take that is being recorded was touched: %+v %v", found, err)
			}
		}
		child.Process.Signal(syscall.SIGKILL)
		for said.Scan() { // what it still said before it died
			if n, err := strconv.Atoi(said.Text()); err == nil {
				last = n
			}
		}
		child.Wait()
		if _, _, err := Load(dir, "a", "001"); fault.KindOf(err) != fault.Conflict {
			t.Errorf("before the recovery: %v", err)
		}
		found, err := Recover(dir)
		if err != nil || len(found) != 1 || found[0].Err != nil || found[0].Unplaced {
			t.Fatalf("recovered %+v %v", found, err)
		}
		info, got := readAll(t, dir, "a", "001")
		if info.State != Recovered || info.Start != -4800 || len(got) < last || !slices.Equal(got, voice(0, len(got))) {
			t.Fatalf("%d samples of the %d taken in came back, state %s", len(got), last, info.State)
		}
		if err := Verify(dir, "a", "001"); err != nil {
			t.Fatal(err)
		}
		if found, err := Recover(dir); err != nil || len(found) != 0 {
			t.Fatalf("recovered twice: %+v %v", found, err)
		}
		t.Logf("killed after %d samples: %d came back", last, len(got))
	}
}

// A locked take is left alone, an orphan is mended without a place, an empty
// one goes, a broken one is told and stays.
func TestRecoverKinds(t *testing.T) {
	dir := t.TempDir()
	live := mustCreate(t, dir, "live")
	live.Append(voice(0, 1000))
	for _, layer := range []string{"orphan", "empty", "broken"} {
		w := mustCreate(t, dir, layer)
		if layer != "empty" {
			w.Append(voice(0, 1001))
		}
		w.file.Close() // as a crash does
	}
	at := func(layer, name string) string { return filepath.Join(dir, "takes", layer, name) }
	os.Remove(at("orphan", "001.json"))
	os.WriteFile(at("broken", "001.wav"), []byte("RIFF and no more"), 0o666)
	found, err := Recover(dir)
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]Found{}
	for _, f := range found {
		told[f.Info.Layer] = f
	}
	if len(told) != 3 {
		t.Fatalf("found %+v", found)
	}
	if f := told["orphan"]; f.Err != nil || !f.Unplaced || f.Info.Frames != 1001 || f.Info.RoundTripKnown != Unknown {
		t.Errorf("orphan: %+v", f)
	}
	if _, got := readAll(t, dir, "orphan", "001"); !slices.Equal(got, voice(0, 1001)) {
		t.Error("the orphan's samples changed")
	}
	if _, err := os.Stat(at("empty", "001.wav")); !told["empty"].Empty || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("empty: %+v, %v", told["empty"], err)
	}
	if b, err := os.ReadFile(at("broken", "001.wav")); told["broken"].Err == nil || err != nil || string(b) != "RIFF and no more" {
		t.Errorf("broken: %+v, now %q %v", told["broken"], b, err)
	}
	if _, err := live.Finish(); err != nil {
		t.Fatal(err)
	}
	if _, got := readAll(t, dir, "live", "001"); !slices.Equal(got, voice(0, 1000)) {
		t.Error("the live take was touched")
	}
}

// faulty is a folder whose calls fail on wish.
type faulty struct {
	folder
	calls  int   // so far
	failAt int   // this call fails, 0: none
	err    error // with this
	once   bool  // later calls work again
	short  bool  // a failing write writes half
	budget int64 // bytes until the disk is full, -1: endless
	free   int64 // what Free tells, 0: the truth
	log    []string
	synced int64 // bytes of the sound at its last sync
	wrote  int64 // bytes of the sound
}

func (f *faulty) step(what string) error {
	f.calls++
	f.log = append(f.log, what)
	if f.failAt > 0 && (f.calls == f.failAt || !f.once && f.calls > f.failAt) {
		return f.err
	}
	return nil
}

func (f *faulty) Create(name string) (file, error) {
	if err := f.step("create " + name); err != nil {
		return nil, err
	}
	h, err := f.folder.Create(name)
	if err != nil {
		return nil, err
	}
	return &faultyFile{h, f, strings.HasSuffix(name, ".wav")}, nil
}

func (f *faulty) Rename(from, to string) error {
	if err := f.step("rename"); err != nil {
		return err
	}
	return f.folder.Rename(from, to)
}

func (f *faulty) Sync() error {
	if err := f.step("sync folder"); err != nil {
		return err
	}
	return nil
}

func (f *faulty) Free() (int64, bool) {
	if f.free > 0 {
		return f.free, true
	}
	return f.folder.Free()
}

type faultyFile struct {
	file
	f     *faulty
	sound bool
}

func (h *faultyFile) Write(b []byte) (int, error) {
	err := h.f.step("write")
	if err != nil && !h.f.short {
		return 0, err
	}
	part := b
	if err != nil {
		part = b[:len(b)/2]
	}
	// The budget is of new bytes: a header in place needs none.
	if h.f.budget >= 0 {
		at, _ := h.file.Seek(0, io.SeekCurrent)
		end, _ := h.file.Seek(0, io.SeekEnd)
		h.file.Seek(at, io.SeekStart)
		if grows := at + int64(len(part)) - end; grows > h.f.budget {
			part, err = part[:max(int64(len(part))-(grows-h.f.budget), 0)], syscall.ENOSPC
			h.f.budget = 0
		} else if grows > 0 {
			h.f.budget -= grows
		}
	}
	n, e := h.file.Write(part)
	if h.sound {
		h.f.wrote += int64(n)
	}
	return n, errors.Join(err, e)
}

func (h *faultyFile) Sync() error {
	if err := h.f.step("sync"); err != nil {
		return err
	}
	if h.sound {
		h.f.synced = h.f.wrote
	}
	return nil // a true sync would tell nothing here, and takes its time
}

func (h *faultyFile) Truncate(n int64) error {
	if err := h.f.step("truncate"); err != nil {
		return err
	}
	return h.file.Truncate(n)
}

func (h *faultyFile) Seek(at int64, whence int) (int64, error) {
	if err := h.f.step("seek"); err != nil {
		return 0, err
	}
	return h.file.Seek(at, whence)
}

// recordWith records 3 s at a low rate through f, and says how many samples
// Append took in.
func recordWith(f *faulty) (taken int, id string, err error) {
	w, err := createIn(f, "a", Info{SampleRate: 8000})
	if err != nil {
		return 0, "", err
	}
	id = w.Info().ID
	for taken < 24_000 {
		if err = w.Append(voice(taken, 1000)); err != nil {
			break
		}
		taken += 1000
	}
	_, e := w.Finish()
	return taken, id, errors.Join(err, e)
}
