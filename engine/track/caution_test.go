package track

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/device"
)

// Each output is new once; a store that is broken, of another version or not to
// be written makes it new again.
func TestCautionOncePerOutput(t *testing.T) {
	s := CautionStore{Path: filepath.Join(t.TempDir(), "deep", "outputs.json")}
	phones, speakers := &device.Virtual{Name: "headphones"}, &device.Virtual{Name: "loudspeakers"}
	for i, c := range []struct {
		dev   device.Device
		first bool
	}{{phones, true}, {phones, false}, {speakers, true}, {phones, false}, {speakers, false}} {
		if first, err := s.First(c.dev); first != c.first || err != nil {
			t.Errorf("step %d: first %v, %v", i, first, err)
		}
	}
	for _, text := range []string{"", "{", `{"version":2,"outputs":["virtual: headphones"]}`, strings.Repeat(" ", maxCautionBytes+1)} {
		if err := os.WriteFile(s.Path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if first, err := s.First(phones); !first || err != nil {
			t.Errorf("%.20q: first %v, %v", text, first, err)
		}
		if first, _ := s.First(phones); first {
			t.Errorf("%.20q: it was not mended", text)
		}
	}
	blocked := CautionStore{Path: filepath.Join(s.Path, "outputs.json")} // a file where the folder should be
	if first, err := blocked.First(phones); !first || err == nil {
		t.Errorf("not to be written: first %v, %v", first, err)
	}
}
