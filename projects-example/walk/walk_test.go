package walk

import (
	"os"
	"path/filepath"
	"testing"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
)

func TestMain(m *testing.M) {
	decoder.ServeIfAsked()
	os.Exit(m.Run())
}

// The whole job on the example: every cut, hit and planted fault is found,
// nothing clean is accused, and the stem lasts 1500 frames of 2002 samples
// (24000/1001 frames a second at 48 kHz).
func TestWalk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	res, err := Run(t.Context(), Options{Folder: dir, Say: func(f string, a ...any) { t.Logf(f, a...) }})
	if err != nil {
		t.Fatal(err)
	}
	const want = 1500 * 2002
	r, err := audiofile.Open(res.Files["stem"])
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Frames() != want || res.StemSamples != want {
		t.Errorf("the stem holds %d samples, the walk says %d, want %d", r.Frames(), res.StemSamples, want)
	}
	if res.RoundTrip != roomTrip {
		t.Errorf("the round trip was measured as %d samples, it is %d", res.RoundTrip, roomTrip)
	}
	for name, path := range res.Files {
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
