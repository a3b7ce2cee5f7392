package take

import (
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"cuechoir/internal/fault"
)

// voice is a test signal on exact 24-bit values, in which each sample names
// its position.
func voice(at, n int) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32((at+i)*7919%(1<<22)-(1<<21)) / (1 << 23)
	}
	return x
}

func mustCreate(t *testing.T, dir, layer string) *Writer {
	t.Helper()
	w, err := Create(dir, layer, Info{SampleRate: 48000, Start: -96000, Device: "test"})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func readAll(t *testing.T, dir, layer, id string) (Info, []float32) {
	t.Helper()
	info, r, err := Load(dir, layer, id)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var got []float32
	x := make([]float32, 1000)
	for {
		n, err := r.Read(x)
		got = append(got, x[:n]...)
		if err == io.EOF {
			return info, got
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestTakeComesBackExactly(t *testing.T) {
	dir := t.TempDir()
	w := mustCreate(t, dir, "alto-1")
	if err := w.Place(-97680, 1680, Measured); err != nil {
		t.Fatal(err)
	}
	want := voice(0, 100_001)
	for at := 0; at < len(want); at += 777 {
		if err := w.Append(want[at:min(at+777, len(want))]); err != nil {
			t.Fatal(err)
		}
	}
	w.AddDropout(1000, 50)
	w.AddDropout(1050, 50) // touches: one span
	w.AddUnheard(-5, 10)
	if _, known := w.Room(); !known {
		t.Error("the room on the disk is not known")
	}
	done, err := w.Finish()
	if err != nil {
		t.Fatal(err)
	}
	info, got := readAll(t, dir, "alto-1", "001")
	if !slices.Equal(got, want) {
		t.Fatal("the samples changed on the way")
	}
	if info.Start != -97680 || info.RoundTrip != 1680 || info.RoundTripKnown != Measured || info.State != Whole ||
		info.Frames != 100_001 || info.End() != 2321 || info.Checksum != done.Checksum || info.Device != "test" {
		t.Fatalf("info %+v", info)
	}
	if !slices.Equal(info.Dropouts, []Dropout{{1000, 100}}) || !slices.Equal(info.Unheard, []Dropout{{-5, 10}}) {
		t.Fatalf("dropouts %v, unheard %v", info.Dropouts, info.Unheard)
	}
	peak := 0.0
	for _, v := range want {
		peak = max(peak, math.Abs(float64(v)))
	}
	if info.Peak != peak {
		t.Fatalf("peak %v, want %v", info.Peak, peak)
	}
	if err := Verify(dir, "alto-1", "001"); err != nil {
		t.Fatal(err)
	}
	if found, err := Recover(dir); err != nil || len(found) != 0 {
		t.Fatalf("a whole take was recovered: %v %v", found, err)
	}
	if err := w.Append(want[:1]); fault.KindOf(err) != fault.Usage {
		t.Fatalf("append after the end: %v", err)
	}
}

// CRC-32C of "123456789" is 0xE3069283 (RFC 3720 and the catalogues of CRCs);
// here the bytes are written as three 24-bit samples.
func TestChecksumPolynomial(t *testing.T) {
	dir := t.TempDir()
	w := mustCreate(t, dir, "a")
	x := make([]float32, 3)
	for i, s := range []string{"123", "456", "789"} {
		x[i] = float32(int(s[0])|int(s[1])<<8|int(s[2])<<16) / (1 << 23)
	}
	if err := w.Append(x); err != nil {
		t.Fatal(err)
	}
	info, err := w.Finish()
	if err != nil || info.Checksum != 0xE3069283 {
		t.Fatalf("checksum %08x (%v), want e3069283", info.Checksum, err)
	}
}

func TestVerifyFindsOneBit(t *testing.T) {
	dir := t.TempDir()
	w := mustCreate(t, dir, "a")
	w.Append(voice(0, 5000))
	if _, err := w.Finish(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "takes", "a", "001.wav")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)-2000] ^= 1
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := Verify(dir, "a", "001"); fault.KindOf(err) != fault.Malformed {
		t.Fatalf("a changed bit went by: %v", err)
	}
}

// Many writers of one layer at the same time: each has a number of its own,
// and what each wrote is what is in its file.
func TestWritersNeverShareANumber(t *testing.T) {
	dir := t.TempDir()
	const writers = 8
	ids := make([]string, writers)
	var wg sync.WaitGroup
	for n := range writers {
		wg.Go(func() {
			w, err := Create(dir, "a", Info{SampleRate: 48000, Start: int64(n)})
			if err != nil {
				t.Error(err)
				return
			}
			w.Append(voice(n*1000, 500+n))
			info, err := w.Finish()
			if err != nil {
				t.Error(err)
			}
			ids[n] = info.ID
		})
	}
	wg.Wait()
	seen := map[string]bool{}
	for n, id := range ids {
		if seen[id] {
			t.Fatalf("two takes are called %s", id)
		}
		seen[id] = true
		info, got := readAll(t, dir, "a", id)
		if info.Start != int64(n) || !slices.Equal(got, voice(n*1000, 500+n)) {
			t.Fatalf("take %s is not what writer %d wrote", id, n)
		}
	}
	list, err := List(dir, "a")
	if err != nil || len(list) != writers {
		t.Fatalf("%d takes listed (%v), want %d", len(list), err, writers)
	}
	if list, err := List(dir, "nobody"); err != nil || len(list) != 0 {
		t.Fatalf("a layer without takes: %v %v", list, err)
	}
}

// A number whose sound or description is there is never taken again.
func TestNothingIsWrittenOver(t *testing.T) {
	dir := t.TempDir()
	layer := filepath.Join(dir, "takes", "a")
	if err := os.MkdirAll(layer, 0o777); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"001.wav": "x", "007.json": "y", "notes.txt": "z"} {
		if err := os.WriteFile(filepath.Join(layer, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := layerFolder(t, dir).Create("001.wav"); !errors.Is(err, fs.ErrExist) {
		t.Fatalf("a file that is there was opened to write: %v", err)
	}
	w := mustCreate(t, dir, "a")
	w.Append(voice(0, 10))
	if info, err := w.Finish(); err != nil || info.ID != "008" {
		t.Fatalf("the take is called %s (%v), want 008", info.ID, err)
	}
	for name, text := range map[string]string{"001.wav": "x", "007.json": "y", "notes.txt": "z"} {
		if b, err := os.ReadFile(filepath.Join(layer, name)); err != nil || string(b) != text {
			t.Fatalf("%s now holds %q (%v)", name, b, err)
		}
	}
}

func TestEmptyTakeLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	w := mustCreate(t, dir, "a")
	if _, err := w.Finish(); fault.KindOf(err) != fault.NotMet {
		t.Fatalf("an empty take: %v", err)
	}
	if names, err := os.ReadDir(filepath.Join(dir, "takes", "a")); err != nil || len(names) != 0 {
		t.Fatalf("left behind: %v %v", names, err)
	}
}

func TestNamesStayInside(t *testing.T) {
	dir := t.TempDir()
	for _, layer := range []string{"", ".", "..", "../x", "a/b", `a\b`, "a b", "ä", "a\x00", strings.Repeat("a", 65)} {
		if _, err := Create(dir, layer, Info{SampleRate: 48000}); fault.KindOf(err) != fault.Usage {
			t.Errorf("layer %q: %v, want a usage error", layer, err)
		}
	}
	for _, id := range []string{"", "..", "1/2", "-1", "0000000001", "1a"} {
		if _, _, err := Load(dir, "a", id); fault.KindOf(err) != fault.Usage {
			t.Errorf("take %q: %v, want a usage error", id, err)
		}
	}
	for _, info := range []Info{{SampleRate: 0}, {SampleRate: 48000, Start: 1 << 60}, {SampleRate: 48000, RoundTripKnown: "guessed"}} {
		if _, err := Create(dir, "a", info); fault.KindOf(err) != fault.Usage {
			t.Errorf("%+v: %v, want a usage error", info, err)
		}
	}
	if _, err := Create(filepath.Join(dir, "none"), "a", Info{SampleRate: 48000}); fault.KindOf(err) != fault.Missing {
		t.Errorf("no score's folder: %v", err)
	}
}

// Links that lead out of the score's folder are followed by nothing.
func TestLinksAreNotFollowed(t *testing.T) {
	dir, outside := t.TempDir(), t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "takes"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, filepath.Join(dir, "takes", "a")); err != nil {
		t.Skip("LOUD SKIP: no symbolic links here, so that links are refused is not shown:", err)
	}
	if _, err := Create(dir, "a", Info{SampleRate: 48000}); err == nil {
		t.Fatal("a take was made through a link")
	}
	if layers, err := Layers(dir); err != nil || len(layers) != 0 {
		t.Fatalf("a link counts as a layer: %v %v", layers, err)
	}
	if names, _ := os.ReadDir(outside); len(names) != 0 {
		t.Fatalf("written outside: %v", names)
	}
	w := mustCreate(t, dir, "b")
	w.Append(voice(0, 10))
	if _, err := w.Finish(); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"001.wav", "001.json"} {
		from, to := filepath.Join(dir, "takes", "b", name), filepath.Join(outside, name)
		if err := errors.Join(os.Rename(from, to), os.Symlink(to, from)); err != nil {
			t.Fatal(err)
		}
		if _, _, err := Load(dir, "b", "001"); err == nil {
			t.Fatalf("a take was read through a link in the place of %s", name)
		}
		if found, err := Recover(dir); err != nil || len(found) > 1 || len(found) == 1 && found[0].Err == nil {
			t.Fatalf("recovered through a link: %+v %v", found, err)
		}
		if err := errors.Join(os.Remove(from), os.Rename(to, from)); err != nil {
			t.Fatal(err)
		}
	}
}

func TestLoadTellsMismatch(t *testing.T) {
	dir := t.TempDir()
	for n := range 2 {
		w := mustCreate(t, dir, "a")
		w.Append(voice(0, 100*(n+1)))
		if _, err := w.Finish(); err != nil {
			t.Fatal(err)
		}
	}
	layer := filepath.Join(dir, "takes", "a")
	if err := os.Rename(filepath.Join(layer, "002.wav"), filepath.Join(layer, "001.wav")); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Load(dir, "a", "001"); fault.KindOf(err) != fault.Malformed {
		t.Fatalf("another take's sound: %v", err)
	}
	if _, _, err := Load(dir, "a", "002"); fault.KindOf(err) != fault.Missing {
		t.Fatalf("no sound: %v", err)
	}
	if err := os.Rename(filepath.Join(layer, "002.json"), filepath.Join(layer, "001.json")); err != nil {
		t.Fatal(err)
	}
	if _, err := List(dir, "a"); fault.KindOf(err) != fault.Malformed {
		t.Fatalf("another take's description: %v", err)
	}
}

// Beyond the bound on spans the last one is stretched: never less is told
// than was lost.
func TestSpansAreBounded(t *testing.T) {
	var spans []Dropout
	for i := range int64(maxDropouts + 10) {
		spans = addSpan(spans, 10*i, 3)
	}
	last := spans[len(spans)-1]
	if len(spans) != maxDropouts || last.Sample+last.Length != 10*(maxDropouts+9)+3 {
		t.Fatalf("%d spans, the last %v", len(spans), last)
	}
	if err := checkSpans("dropouts", spans); err != nil {
		t.Fatal(err)
	}
}

func FuzzSidecar(f *testing.F) {
	good := Info{Version: 1, ID: "001", Layer: "a", SampleRate: 48000, State: Whole, RoundTripKnown: Measured,
		Dropouts: []Dropout{{1, 2}, {3, 4}}, Heard: &Heard{-7, -41.5}, Rate: &Rate{44_110, 72_000}}
	f.Add(good.encode())
	f.Add([]byte(`{"version":1,"id":"001","layer":"a","sample_rate":48000,"state":"whole","round_trip_known":"heard","heard":{"lag":9e18,"level_db":1e300}}`))
	f.Add([]byte(`{"version":1,"id":"001","layer":"a","sample_rate":48000,"state":"whole","round_trip_known":"typed","device_rate":{"hz":-1,"sample":-1}}`))
	f.Add([]byte(`{"version":1,"id":"001","layer":"../a"}`))
	f.Add([]byte(`{"version":1,"id":"001","layer":"a","sample_rate":48000,"frames":9e99}`))
	f.Add([]byte(`{"dropouts":[{"sample":5,"length":-1}]}`))
	f.Add([]byte("[[[[[["))
	f.Fuzz(func(t *testing.T, text []byte) {
		i, err := decode(text, "x.json")
		if err != nil {
			if k := fault.KindOf(err); k != fault.Malformed && k != fault.OverLimit && k != fault.Unsupported {
				t.Fatalf("an error of kind %v: %v", k, err)
			}
			return
		}
		again, err := decode(i.encode(), "x.json")
		if err != nil || string(again.encode()) != string(i.encode()) {
			t.Fatalf("what was read does not come back: %v", err)
		}
	})
}
