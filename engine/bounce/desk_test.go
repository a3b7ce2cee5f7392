package bounce

import (
	"context"
	"math"
	"path/filepath"
	"runtime"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// orchestra is six layers with processors, groups, room, echo and a ride.
func orchestra(n int, amp float64) Opener {
	plain := choir(n, amp)
	return func() (mix.Desk, error) {
		d, err := plain()
		for i := range d.Strips[:6] {
			s := &d.Strips[i]
			s.Chain.EQ.HighMid = mix.Band{GainDB: float64(i - 3)}
			s.Chain.Compressor = mix.Compressor{ThresholdDB: -20, Ratio: 3, KneeDB: 6}
			s.Chain.DeEsser = mix.DeEsser{ThresholdDB: -40}
			s.Sends = []mix.Send{{To: mix.ToRoom, DB: -12}, {To: mix.ToEcho, DB: -20}}
		}
		d.Groups = []mix.Group{{Name: "brass", GainDB: -2, Chain: mix.Chain{Compressor: mix.Compressor{ThresholdDB: -15, Ratio: 2}}}}
		d.Ride = mix.Ride{Voice: "v2"}
		d.Room.Seconds = 0.5
		return d, err
	}
}

// The same file on one core and on many, through target, limiter and dither.
func TestSameBitsOnAnyCores(t *testing.T) {
	dir := t.TempDir()
	target := -12.0
	for _, bits := range []int{16, 24} {
		var want [32]byte
		for i, cores := range []int{1, 2, 5} {
			path := filepath.Join(dir, "x.wav")
			res := run(t, orchestra(30000, 0.3), Options{Path: path, Length: 48001, Bits: bits, Cores: cores, Block: []int{0, 479, 4096}[i], Created: created, TargetLUFS: &target, Limit: true})
			if res.LimitedDB <= 0 {
				t.Fatal("the limiter had nothing to do")
			}
			if got := fileHash(t, path); i == 0 {
				want = got
			} else if got != want {
				t.Errorf("%d bits, %d cores: another file", bits, cores)
			}
		}
	}
}

// With the limiter a loudness is reached that the ceiling else forbids, and the
// ceiling holds.
func TestLimiterReachesTheTarget(t *testing.T) {
	target := -9.0
	open := choir(96000, 0.3)
	path := filepath.Join(t.TempDir(), "x.wav")
	without := run(t, open, Options{Path: path, Length: 96000, TargetLUFS: &target})
	with := run(t, open, Options{Path: path, Length: 96000, TargetLUFS: &target, Limit: true})
	t.Logf("missed by %.2f LU without, %.2f with; up to %.1f dB taken from peaks, %.3f dBTP", without.TargetMissLU, with.TargetMissLU, with.LimitedDB, with.Mix.Loudness.TruePeakDBTP)
	if without.TargetMissLU > -1 || math.Abs(with.TargetMissLU) > 0.1 || with.Mix.Loudness.TruePeakDBTP > -1 || with.TrimDB != 0 {
		t.Errorf("without %+v, with %+v", without, with)
	}
	checkLoudness(t, with.Mix)
	checkBext(t, path, with)
}

// Below the ceiling the limiter changes no bit, its delay is taken out.
func TestLimiterLeavesWhatIsLow(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a.wav"), filepath.Join(dir, "b.wav")
	run(t, orchestra(30000, 0.05), Options{Path: a, Length: 30001, Created: created})
	run(t, orchestra(30000, 0.05), Options{Path: b, Length: 30001, Created: created, Limit: true})
	if fileHash(t, a) != fileHash(t, b) {
		t.Error("the limiter changed a mix that lies below the ceiling")
	}
}

// Stems with room, echo, groups and ride sum to the mix before the master.
func TestStemsOfADeskSumToTheMix(t *testing.T) {
	dir := t.TempDir()
	res := run(t, orchestra(40000, 0.1), Options{Path: filepath.Join(dir, "score.wav"), Length: 60001, Bits: 32, Stems: true, Created: created})
	sum, _, err := audiofile.ReadAll(res.Mix.Path, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range res.Stems {
		x, _, err := audiofile.ReadAll(s.Path, 0)
		if err != nil {
			t.Fatal(err)
		}
		for k := range x {
			sum[k] -= x[k]
		}
		r, err := audiofile.Open(s.Path)
		if err != nil {
			t.Fatal(err)
		}
		if l := r.Bext().Loudness; l == nil || math.Abs(float64(l.MaxTruePeak)/100-s.Loudness.TruePeakDBTP) > 0.006 {
			t.Errorf("the header of %s tells %+v, measured %.3f dBTP", s.Path, l, s.Loudness.TruePeakDBTP)
		}
		r.Close()
	}
	worst := 0.0
	for _, v := range sum {
		worst = math.Max(worst, math.Abs(float64(v)))
	}
	t.Logf("mix minus stems peaks at %.1f dBFS", 20*math.Log10(worst))
	if len(res.Stems) != 3 || 20*math.Log10(worst) > -120 {
		t.Errorf("%d stems miss the mix by %.1f dBFS", len(res.Stems), 20*math.Log10(worst))
	}
}

// After an interrupt the next bounce gives what one without gives.
func TestRestartAfterAnInterrupt(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.wav")
	o := Options{Path: path, Length: 40000, Created: created, Stems: true}
	run(t, orchestra(30000, 0.1), o)
	want := fileHash(t, path)
	for _, at := range []int64{1, 30000, 50000, 90000} {
		ctx, stop := context.WithCancel(context.Background())
		broken := o
		broken.Progress = func(done, _ int64) {
			if done >= at {
				stop()
			}
		}
		if _, err := Bounce(ctx, orchestra(30000, 0.2), broken); fault.KindOf(err) != fault.Interrupted {
			t.Fatalf("stopped at %d: %v", at, err)
		}
		if fileHash(t, path) != want {
			t.Fatalf("stopped at %d: the old file is changed", at)
		}
		left(t, dir, 4)
	}
	run(t, orchestra(30000, 0.1), o)
	if fileHash(t, path) != want {
		t.Error("the bounce after interrupts is another")
	}
}

// endless is a quiet tone without an end, made as it is read.
type endless struct{ at int }

func (e *endless) Read(dst []float32) (int, error) {
	for i := range dst {
		dst[i] = float32(e.at%200-100) / 1000
		e.at++
	}
	return len(dst), nil
}

// Four times the length takes no more memory, but for the loudness meter's list
// (160 bytes a second).
func TestMemoryIsFlat(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.wav")
	taken := func(seconds int64) uint64 {
		open := func() (mix.Desk, error) {
			var d mix.Desk
			for i := range 4 {
				d.Strips = append(d.Strips, mix.Strip{Source: &endless{}, Pan: float64(i)/2 - 1, Sends: []mix.Send{{To: mix.ToRoom, DB: -20}}})
			}
			return d, nil
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		run(t, open, Options{Path: path, Length: seconds * 48000, Limit: true})
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	taken(1)
	a, b := taken(2), taken(8)
	t.Logf("allocated: %d kB for 2 s, %d kB for 8 s", a>>10, b>>10)
	if b > a+a/10+256<<10 {
		t.Errorf("%d bytes for 2 s, %d for 8 s", a, b)
	}
}
