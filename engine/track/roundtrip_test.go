package track

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

func TestRoundTripOfADigitalLoop(t *testing.T) {
	for _, c := range []struct {
		name   string
		dev    *device.Virtual
		want   int64
		invert bool
	}{
		{"480", &device.Virtual{LoopDelay: 1680, LoopGain: 1}, 1680, false},
		{"1024", &device.Virtual{LoopDelay: 3585, LoopGain: 1, PeriodFrames: 1024}, 3585, false},
		{"odd blocks", &device.Virtual{LoopDelay: 2001, LoopGain: 0.01, Blocks: []int{1, 63, 479, 480, 1024}}, 2001, false},
		{"upside down in noise", &device.Virtual{LoopDelay: 777, LoopGain: -0.3, NoisePeak: 0.03}, 777, true},
		{"44.1 kHz", &device.Virtual{LoopDelay: 1234, LoopGain: 0.5, SampleRate: 44100}, 1234, false},
		{"96 kHz", &device.Virtual{LoopDelay: 4321, LoopGain: 0.5, SampleRate: 96000}, 4321, false},
		{"lost input", &device.Virtual{LoopDelay: 1680, LoopGain: 1, Faults: []device.Fault{{At: 16_000, Kind: device.LoseInput, Frames: 100}}}, 1680, false},
		{"with a later reflection", reflecting(900, 950), 900, false},
	} {
		r, err := MeasureRoundTrip(context.Background(), c.dev, RoundTripOptions{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		rejected := 0
		if c.name == "lost input" {
			rejected = 3
		}
		if r.Samples != c.want || r.Spread > 0 || !r.Constant || r.Inverted != c.invert || r.Repeats != 12-rejected || r.Rejected != rejected ||
			len(r.ByStart) != 3 || math.Abs(r.Fraction) > 0.2 {
			t.Errorf("%s: %+v, want %d", c.name, r, c.want)
		}
		t.Logf("%s: %d samples, confidence %.3f, fraction %.3f", c.name, r.Samples, r.Confidence, r.Fraction)
	}
}

// reflecting is a loop with a direct way and a reflection a little louder.
func reflecting(direct, later int64) *device.Virtual {
	v := &device.Virtual{LoopDelay: direct, LoopGain: 0.2}
	// The chirps' places are known: the reflection is put in as the microphone.
	m := newMeasurement(RoundTripOptions{LevelDB: -20, Chirps: 4, Starts: 3, MaxDelay: 24_000}, 48000)
	v.Microphone = make([]float32, m.length())
	for _, at := range m.starts {
		for i, x := range m.chirp {
			if k := at + later + int64(i); k < int64(len(v.Microphone)) {
				v.Microphone[k] = 0.25 * x
			}
		}
	}
	return v
}

// A device whose delay differs from start to start is told as such.
func TestRoundTripThatWanders(t *testing.T) {
	dev := &device.Virtual{LoopDelays: []int64{1690, 1680, 1650}, LoopGain: 1}
	r, err := MeasureRoundTrip(context.Background(), dev, RoundTripOptions{})
	if err != nil || r.Constant || r.Spread != 40 || r.Samples != 1650 || r.Agreeing != 4 {
		t.Fatalf("%+v %v", r, err)
	}
	// Two starts of three agree: they are believed.
	dev = &device.Virtual{LoopDelays: []int64{1680, 1500, 1681}, LoopGain: 1}
	r, err = MeasureRoundTrip(context.Background(), dev, RoundTripOptions{})
	if err != nil || r.Constant || r.Samples < 1680 || r.Samples > 1681 || r.Agreeing != 8 || r.Repeats != 12 {
		t.Fatalf("one start astray: %+v %v", r, err)
	}
	dev = &device.Virtual{LoopDelay: 1680, LoopGain: 1, Faults: []device.Fault{{At: 100_000, Kind: device.SlipInput, Frames: 64}}} // before the last chirp
	r, err = MeasureRoundTrip(context.Background(), dev, RoundTripOptions{})
	if err != nil || r.Constant || r.Spread != 64 || r.Samples != 1680 || r.Agreeing != 9 {
		t.Fatalf("a slip within a start: %+v %v", r, err)
	}
}

func TestNoEchoSaysWhatToDo(t *testing.T) {
	for _, c := range []struct {
		name string
		dev  *device.Virtual
		text string
	}{
		{"silent", &device.Virtual{}, "the input is silent"},
		{"noise", &device.Virtual{NoisePeak: 0.1}, "cable"},
		{"hum", &device.Virtual{Source: func(dst []float32, at int64) {
			for i := range dst {
				dst[i] = float32(0.2 * math.Sin(2*math.Pi*50*float64(at+int64(i))/48000))
			}
		}}, "-14 dBFS"},
		{"overloaded", &device.Virtual{NoisePeak: 2}, "turn the input or the output down"},
	} {
		_, err := MeasureRoundTrip(context.Background(), c.dev, RoundTripOptions{Starts: 1})
		if fault.KindOf(err) != fault.Device || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: %v, want %q", c.name, err, c.text)
		}
	}
	if _, err := MeasureRoundTrip(context.Background(), &device.Virtual{InChannels: -1}, RoundTripOptions{}); fault.KindOf(err) != fault.Device {
		t.Errorf("no input: %v", err)
	}
	if _, err := MeasureRoundTrip(context.Background(), &device.Virtual{}, RoundTripOptions{LevelDB: -1}); fault.KindOf(err) != fault.Usage {
		t.Errorf("too loud: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := MeasureRoundTrip(ctx, &device.Virtual{LoopGain: 1}, RoundTripOptions{}); fault.KindOf(err) != fault.Interrupted {
		t.Errorf("cancelled: %v", err)
	}
}

// The chirp is as loud as asked for and no louder, and starts and ends at nothing.
func TestChirpIsQuiet(t *testing.T) {
	x := chirpOf(48000, -20)
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(float64(v)))
	}
	if db := 20 * math.Log10(peak); db > -20 || db < -20.1 || x[0] != 0 || math.Abs(float64(x[len(x)-1])) > 1e-6 {
		t.Fatalf("peak %.2f dBFS, from %v to %v", db, x[0], x[len(x)-1])
	}
}

func TestLatencyStore(t *testing.T) {
	s := LatencyStore{Path: filepath.Join(t.TempDir(), "sub", "latency.json")}
	a, b := &device.Virtual{Name: "a"}, &device.Virtual{Name: "a", PeriodFrames: 1024}
	if _, ok, err := s.Get(a); ok || err != nil {
		t.Fatalf("an empty store: %v %v", ok, err)
	}
	for _, samples := range []int64{1, 1680} {
		if err := s.Put(a, RoundTrip{Samples: samples, Constant: true}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Put(b, RoundTrip{Samples: 3585, Spread: 7}); err != nil {
		t.Fatal(err)
	}
	la, _, _ := s.Get(a)
	lb, ok, err := s.Get(b)
	list, _ := s.Load()
	if err != nil || !ok || la.Samples != 1680 || !la.Constant || lb.Samples != 3585 || lb.Constant || lb.Spread != 7 || len(list) != 2 {
		t.Fatalf("%+v %+v %v %v", la, lb, ok, err)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(s.Path), "*.new")); len(left) != 0 {
		t.Fatalf("left behind: %v", left)
	}
	if err := os.WriteFile(s.Path, []byte("{"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := s.Put(a, RoundTrip{Samples: 1}); fault.KindOf(err) != fault.Malformed {
		t.Fatalf("a broken store was written over: %v", err)
	}
}

func FuzzLatencies(f *testing.F) {
	f.Add([]byte(`{"version":1,"round_trips":[{"backend":"alsa","output":"o","input":"i","sample_rate":48000,"period_frames":480,"samples":1680,"spread":0,"constant":true,"measured":"2026-01-02T03:04:05Z"}]}`))
	f.Add([]byte(`{"version":1,"round_trips":[{"backend":"jack","sample_rate":48000,"period_frames":64,"samples":320,"waiting":256}]}`))
	f.Add([]byte(`{"version":1,"round_trips":[{"sample_rate":48000,"waiting":-1}]}`))
	f.Add([]byte(`{"version":2}`))
	f.Add([]byte(`{"version":1,"round_trips":[{"samples":-1}]}`))
	f.Add([]byte(`[`))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := parseLatencies(text, "x")
		if err != nil {
			if k := fault.KindOf(err); k != fault.Malformed && k != fault.OverLimit && k != fault.Unsupported {
				t.Fatal(err)
			}
			return
		}
		for _, l := range list {
			if w := l.Waits().Frames; w < 0 || l.Samples < 0 || max(w, l.Samples) > 10*int64(l.SampleRate) {
				t.Fatalf("let by: %+v", l)
			}
		}
	})
}
