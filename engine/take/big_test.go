package take

import (
	"encoding/binary"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"cuechoir/internal/reftool"
)

// bigFrames at 24 bits are more than 4 GiB: 8.3 hours at 48 kHz.
const bigFrames = 1_440_000_007

// bigTake makes a take of bigFrames that is a hole on the disk, but for its
// head and its last samples: recorded, ended, then stretched to RF64 as EBU Tech
// 3306 has it.
func bigTake(t *testing.T, dir string, last []float32) (id string) {
	t.Helper()
	w, err := Create(dir, "a", Info{SampleRate: 48000, Start: -48000})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Append(voice(0, 48000)); err != nil {
		t.Fatal(err)
	}
	info, err := w.Finish()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "takes", "a", wavName(info.ID))
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	head := make([]byte, 4096)
	if _, err := io.ReadFull(f, head); err != nil {
		t.Fatal(err)
	}
	le := binary.LittleEndian
	data := strings.Index(string(head), "data")
	if string(head[12:16]) != "JUNK" || data < 0 {
		t.Fatalf("no room for ds64 in the take's head: %q", head[:64])
	}
	size := int64(bigFrames) * bytesPerSample
	copy(head, "RF64\xff\xff\xff\xff")
	copy(head[12:], "ds64")
	le.PutUint64(head[20:], uint64(int64(data)+8+size+size%2-8))
	le.PutUint64(head[28:], uint64(size))
	le.PutUint64(head[36:], bigFrames)
	le.PutUint32(head[data+4:], 0xffffffff)
	if _, err := f.WriteAt(head, 0); err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(int64(data) + 8 + size + size%2); err != nil {
		t.Skipf("LOUD SKIP: the disk takes no file of 4 GiB with a hole: %v", err)
	}
	tail := packSamples(nil, last)
	if _, err := f.WriteAt(tail, int64(data)+8+size-int64(len(tail))); err != nil {
		t.Fatal(err)
	}
	info.Frames = bigFrames
	if err := os.WriteFile(filepath.Join(dir, "takes", "a", sidecarName(info.ID)), info.encode(), 0o666); err != nil {
		t.Fatal(err)
	}
	return info.ID
}

// A take of over 4 GiB is listed, opened and read at its very end; ffprobe and
// soxi see as many samples.
func TestTakeOverFourGiB(t *testing.T) {
	dir := t.TempDir()
	last := []float32{0.5, -0.25, 0.125, -0.5}
	id := bigTake(t, dir, last)
	infos, err := List(dir, "a")
	if err != nil || len(infos) != 1 || infos[0].Frames != bigFrames {
		t.Fatalf("%+v %v", infos, err)
	}
	_, r, err := Load(dir, "a", id)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Frames() != bigFrames {
		t.Fatalf("%d samples, want %d", r.Frames(), bigFrames)
	}
	if err := r.SeekSample(bigFrames - 6); err != nil {
		t.Fatal(err)
	}
	got := make([]float32, 10)
	n, err := r.Read(got)
	if n != 6 || err != nil && !errors.Is(err, io.EOF) || !slices.Equal(got[2:6], last) || got[0] != 0 {
		t.Errorf("the last samples are %v (%d, %v)", got, n, err)
	}
	path := filepath.Join(dir, "takes", "a", wavName(id))
	for _, c := range []struct {
		tool string
		args []string
	}{{"soxi", []string{"-s"}}, {"ffprobe", []string{"-v", "error", "-show_entries", "stream=duration_ts", "-of", "csv=p=0"}}} {
		tool := reftool.Find(t, c.tool)
		if tool == "" {
			continue
		}
		if c.tool == "soxi" && !reftool.Required() {
			t.Log("LOUD SKIP: soxi reads the whole file, 45 s; CUECHOIR_REQUIRE_TOOLS=1 asks it too")
			continue
		}
		out, err := exec.Command(tool, append(c.args, path)...).CombinedOutput()
		text := strings.TrimSpace(string(out))
		if n, e := strconv.ParseInt(text, 10, 64); err != nil || e != nil || n != bigFrames {
			t.Errorf("%s says %q (%v), want %d", c.tool, text, err, bigFrames)
		}
	}
}
