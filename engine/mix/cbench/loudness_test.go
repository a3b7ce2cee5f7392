//go:build unix

package cbench

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// The meter reads what libebur128 reads; the range within the 1 LU of EBU Tech
// 3342, as libebur128 looks at its 3 s each second and the meter each 0.1 s.
func TestLoudnessAsLibebur128(t *testing.T) {
	prog := buildC(t, "ebur", "-lebur128")
	x := make([]float32, 2*60*rate)
	for i := range len(x) / 2 {
		at := float64(i) / rate
		level := 0.02 + 0.4*math.Pow(math.Sin(at/7), 2)
		x[2*i] = float32(level * math.Sin(2*math.Pi*440*at))
		x[2*i+1] = float32(level * math.Sin(2*math.Pi*(3000*at+20*at*at)))
	}
	raw := make([]byte, 4*len(x))
	for i, v := range x {
		binary.LittleEndian.PutUint32(raw[4*i:], math.Float32bits(v))
	}
	path := filepath.Join(t.TempDir(), "x.f32")
	if err := os.WriteFile(path, raw, 0o644); err != nil {
		t.Fatal(err)
	}
	var seconds, integrated, lra, peak float64
	out, err := exec.Command(prog, path).Output()
	if err == nil {
		_, err = fmt.Sscan(string(out), &seconds, &integrated, &lra, &peak)
	}
	if err != nil {
		t.Fatalf("%v of %q", err, out)
	}
	r := measured(t, x)
	t.Logf("ours %.4f LUFS, %.3f LU, %.3f dBTP; libebur128 %.4f, %.3f, %.3f", r.IntegratedLUFS, r.RangeLU, r.TruePeakDBTP, integrated, lra, 20*math.Log10(peak))
	if math.Abs(r.IntegratedLUFS-integrated) > 0.01 || math.Abs(r.RangeLU-lra) > 1 || math.Abs(r.TruePeakDBTP-20*math.Log10(peak)) > 0.1 {
		t.Error("the two differ")
	}
}
