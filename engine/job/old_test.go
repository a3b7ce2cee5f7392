package job

import (
	"os"
	"path/filepath"
	"testing"

	"cuechoir/engine/score"
)

// A score of the first version opens, verifies and bounces with every later
// program. 24 frames at 24000/1001 are 48048 samples at 48 kHz.
func TestOldScoreOpens(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "old")
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("..", "..", "testdata", "score-v1"))); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Cuts) != 1 || len(s.Hits) != 2 || s.Map == nil || len(s.Layers) != 1 || len(s.Layers[0].Notes) != 2 || s.Length() != 48048 {
		t.Errorf("the score reads as %+v", s)
	}
	if _, err := Verify(t.Context(), f, nil); err != nil {
		t.Error(err)
	}
	reports, err := Check(t.Context(), f, "", nil)
	if err != nil || len(reports) != 1 || reports[0].Take != "001" {
		t.Errorf("%v, %+v", err, reports)
	}
	if err := os.MkdirAll(f.Path(score.BouncesDir), 0o755); err != nil { // an archive keeps no empty folder
		t.Fatal(err)
	}
	res, err := Bounce(t.Context(), f, BounceOptions{})
	if err != nil || res.Samples != 48048 {
		t.Errorf("%v, %d samples", err, res.Samples)
	}
}
