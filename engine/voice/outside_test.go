package voice

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/reftool"
)

// praatScript prints the median pitch over a stretch (autocorrelation, Boersma
// 1993) and the medians of four formants (Burg's method), all with usual
// settings for a man's voice.
const praatScript = `form x
 sentence in
 real begin
 real end
endform
sound = Read from file: in$
To Pitch (ac): 0.01, 50, 15, "no", 0.03, 0.45, 0.01, 0.35, 0.14, 1200
f0 = Get quantile: begin, end, 0.5, "Hertz"
selectObject: sound
To Formant (burg): 0.01, 5, 4500, 0.025, 50
f1 = Get quantile: 1, begin, end, "hertz", 0.5
f2 = Get quantile: 2, begin, end, "hertz", 0.5
f3 = Get quantile: 3, begin, end, "hertz", 0.5
f4 = Get quantile: 4, begin, end, "hertz", 0.5
writeInfoLine: fixed$(f0,4), " ", fixed$(f1,2), " ", fixed$(f2,2), " ", fixed$(f3,2), " ", fixed$(f4,2)
`

func praat(t *testing.T, bin string, x []float32, from, to float64) (hz float64, formants []float64) {
	t.Helper()
	dir := t.TempDir()
	wav, script := filepath.Join(dir, "x.wav"), filepath.Join(dir, "x.praat")
	writeWAV(t, wav, x)
	if err := os.WriteFile(script, []byte(praatScript), 0o644); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(bin, "--run", script, wav, fmt.Sprint(from), fmt.Sprint(to)).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	formants = make([]float64, 4)
	if _, err := fmt.Sscan(strings.TrimSpace(string(out)), &hz, &formants[0], &formants[1], &formants[2], &formants[3]); err != nil {
		t.Fatalf("%v: %q", err, out)
	}
	return hz, formants
}

// An outside ear: the pitch within 3 cents, the formants against those that the
// same ear finds in the voice truly singing the target.
func TestAnOutsideEarHearsTheTarget(t *testing.T) {
	if underRace {
		t.Skip("a comparison of figures, not of threads")
	}
	bin := reftool.Need(t, "praat")
	worst, sum, n := 0.0, 0.0, 0.0
	for _, c := range []struct {
		key, shift float64
		vowel      string
	}{{57, -12, "a"}, {50, 7, "o"}, {48, 12, "ae"}, {55, -5, "e"}, {52, 0.4, "uh"}, {45, -5, "i"}} {
		y := render(t, listen(t, sing(c.key, c.vowel, 1.2, 0)), Edits{Cents: constant(100 * c.shift)})
		hz, _ := praat(t, bin, y, 0.5, 1.2)
		off := 1200*math.Log2(hz/440) + 6900 - 100*(c.key+c.shift)
		if math.Abs(off) > 3 {
			t.Errorf("%s %g%+g: %.2f cents off", c.vowel, c.key, c.shift, off)
		}
		_, got := praat(t, bin, render(t, listen(t, glide(c.key, c.vowel)), Edits{Cents: constant(100 * c.shift)}), 0.4, 2)
		_, truth := praat(t, bin, glide(c.key+c.shift, c.vowel), 0.4, 2)
		t.Logf("%s %g%+g: %+.2f cents; formants %.0f, truly sung %.0f", c.vowel, c.key, c.shift, off, got, truth)
		made, _ := voiceOf.Formants(c.vowel, 100)
		for i, f := range made[:3] { // each is found in one slot or another
			d := math.Abs(nearestTo(got, f)/nearestTo(truth, f) - 1)
			worst, sum, n = max(worst, d), sum+d, n+1
			if d > 0.05 {
				t.Errorf("%s %g%+g: formant %d is %.0f Hz, truly sung %.0f", c.vowel, c.key, c.shift, i+1, nearestTo(got, f), nearestTo(truth, f))
			}
		}
	}
	t.Logf("formants: mean %.1f %%, worst %.1f %%", 100*sum/n, 100*worst)
	if sum/n > 0.03 {
		t.Errorf("formants are %.1f %% off in the mean", 100*sum/n)
	}
}
