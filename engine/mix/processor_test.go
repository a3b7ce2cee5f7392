package mix_test

import (
	"math"
	"strings"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/engine/mix/mixtest"
)

// maker is what all settings have in common.
type maker interface {
	Processor(sampleRate int) (mix.Processor, error)
}

func processor(t testing.TB, m maker) mix.Processor {
	t.Helper()
	p, err := m.Processor(48000)
	if err != nil {
		t.Fatalf("%+v: %v", m, err)
	}
	return p
}

// settings are all processors, as usual and at their extremes.
func settings(t testing.TB) map[string]maker {
	return map[string]maker{
		"high-pass": mix.HighPass{Hz: 80}, "high-pass lowest": mix.HighPass{Hz: 10}, "high-pass highest": mix.HighPass{Hz: 21600},
		"eq":         mix.EQ{Low: mix.Band{GainDB: 6}, LowMid: mix.Band{GainDB: -9}, HighMid: mix.Band{GainDB: 3, Q: 4}, High: mix.Band{GainDB: -3}},
		"eq extreme": mix.EQ{Low: mix.Band{Hz: 40, GainDB: 24, Q: 0.1}, LowMid: mix.Band{Hz: 400, GainDB: 24, Q: 30}, HighMid: mix.Band{Hz: 21600, GainDB: -24, Q: 30}, High: mix.Band{Hz: 21600, GainDB: 24, Q: 30}},
		"gate":       mix.Gate{ThresholdDB: -30}, "gate extreme": mix.Gate{ThresholdDB: -90, RangeDB: 120, AttackMilliseconds: 0.1, HoldMilliseconds: 1, ReleaseMilliseconds: 1},
		"de-ess": mix.DeEsser{ThresholdDB: -40}, "de-ess extreme": mix.DeEsser{ThresholdDB: -80, Hz: 16000, RangeDB: 40},
		"compressor":         mix.Compressor{ThresholdDB: -24, Ratio: 4, KneeDB: 6},
		"compressor extreme": mix.Compressor{ThresholdDB: -80, Ratio: 100, AttackMilliseconds: 0.1, ReleaseMilliseconds: 1, MakeupDB: 24},
		"saturation":         mix.Saturation{DriveDB: 9}, "saturation least": mix.Saturation{DriveDB: 0.01}, "saturation most": mix.Saturation{DriveDB: 36},
		"limiter": mix.Limiter{CeilingDBTP: -1}, "limiter extreme": mix.Limiter{CeilingDBTP: -60, ReleaseMilliseconds: 1},
		"chain": chainOf(t, whole...),
	}
}

func TestProcessorsKeepTheContract(t *testing.T) {
	for name, m := range settings(t) {
		if short && strings.Contains(name, " ") {
			continue // as the processor, at its extremes
		}
		t.Run(name, func(t *testing.T) {
			mixtest.CheckProcessor(t, func() mix.Processor { return processor(t, m) }, false)
		})
	}
	for name, m := range map[string]maker{
		"room": mix.Room{Seconds: 0.3}, "room dull": mix.Room{Seconds: 0.2, HighRatio: 0.1, Size: 2}, "room delayed": mix.Room{Seconds: 0.3, PreDelayMilliseconds: 40, HighRatio: 1, Size: 0.5},
		"echo": mix.Echo{FeedbackDB: -30}, "echo short": mix.Echo{Milliseconds: 1, FeedbackDB: -12, LowPassHz: 200},
	} {
		t.Run(name, func(t *testing.T) {
			mixtest.CheckProcessor(t, func() mix.Processor { return processor(t, m) }, true)
		})
	}
}

// The zero value is no processor: the same bits come out, whatever they are.
func TestZeroSettingsChangeNoBit(t *testing.T) {
	odd := []float64{0, math.Copysign(0, -1), 5e-324, -1e-310, 1, -0.1, 1e300, math.Inf(1), math.NaN()}
	for _, m := range []maker{mix.HighPass{}, mix.EQ{}, mix.Gate{}, mix.DeEsser{}, mix.Compressor{}, mix.Saturation{}, mix.Limiter{}, mix.Chain{}} {
		x, y := append([]float64(nil), odd...), append([]float64(nil), odd...)
		processor(t, m).Process(x, y)
		for i := range odd {
			if math.Float64bits(x[i]) != math.Float64bits(odd[i]) || math.Float64bits(y[i]) != math.Float64bits(odd[i]) {
				t.Errorf("%T: %g became %g, %g", m, odd[i], x[i], y[i])
			}
		}
	}
}

// Below their threshold dynamics let every bit pass.
func TestDynamicsBelowTheirThresholdChangeNoBit(t *testing.T) {
	for _, m := range []maker{mix.Compressor{ThresholdDB: -10, Ratio: 8, KneeDB: 6}, mix.DeEsser{ThresholdDB: -10}} {
		p := processor(t, m)
		x := sine(1000, -20, 48000)
		want := append([]float64(nil), x...)
		p.Process(x, nil)
		for i := range x {
			if x[i] != want[i] {
				t.Fatalf("%T: sample %d is %g, want %g", m, i, x[i], want[i])
			}
		}
	}
}

// faulty breaks one clause of the contract.
type faulty struct {
	what   string
	blocks int
	kept   []float64
}

func (f *faulty) Process(l, r []float64) {
	f.blocks++
	switch f.what {
	case "blocks":
		for i := range l {
			l[i] *= 1 + float64(f.blocks)
		}
	case "silence":
		for i := range l {
			l[i] += 1e-9
		}
	case "subnormal":
		for i, v := range l {
			if v == 0 {
				l[i] = 1e-310
			}
		}
	case "infinite":
		for i := range l {
			l[i] *= 1e200
		}
	case "beyond":
		if len(l) > 0 && cap(l) > len(l) {
			l[:len(l)+1][len(l)] = 0
		}
	case "allocates":
		f.kept = append([]float64(nil), l...)
	case "channels":
		for i := range r {
			r[i] *= 0.5
		}
	}
}

// The checker itself must see each breach.
func TestCheckProcessorSees(t *testing.T) {
	for _, what := range []string{"blocks", "silence", "subnormal", "infinite", "beyond", "allocates", "channels"} {
		r := &recorder{}
		func() {
			defer func() { _ = recover() }()
			mixtest.CheckProcessor(r, func() mix.Processor { return &faulty{what: what} }, false)
		}()
		if r.complaints == 0 {
			t.Errorf("%s: the checker saw nothing", what)
		}
	}
	r := &recorder{}
	mixtest.CheckProcessor(r, func() mix.Processor { return &faulty{} }, false)
	if r.complaints != 0 {
		t.Errorf("what changes nothing is accused %d times", r.complaints)
	}
}

// sine is a tone in dBFS of its peak.
func sine(hz, db float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = mix.Gain(db) * math.Sin(2*math.Pi*hz*float64(i)/48000)
	}
	return x
}

// levelDB is the level of a tone by its RMS, in dBFS of its peak.
func levelDB(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return 10 * math.Log10(2*sum/float64(len(x)))
}
