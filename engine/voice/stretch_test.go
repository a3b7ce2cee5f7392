package voice

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

const rate = 48000

var speeds = speedsToTry()

func speedsToTry() []timecode.Ratio {
	if underRace {
		return []timecode.Ratio{timecode.R(3, 4), timecode.Int(2)}
	}
	return []timecode.Ratio{timecode.R(1, 2), timecode.R(2, 3), timecode.R(3, 4), timecode.R(9, 10), timecode.R(11, 10), timecode.R(3, 2), timecode.Int(2)}
}

func stretch(t testing.TB, x []float32, sr int, speed timecode.Ratio) []float32 {
	t.Helper()
	y, err := Stretch(x, sr, speed)
	if err != nil {
		t.Fatal(err)
	}
	// n/speed, halves up, in whole numbers.
	if want := (2*int64(len(x))*speed.Den + speed.Num) / (2 * speed.Num); int64(len(y)) != want {
		t.Fatalf("%d samples at speed %s are %d, want %d", len(x), speed, len(y), want)
	}
	return y
}

func tone(hz float64, n, sr int) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(0.5 * math.Sin(2*math.Pi*hz*float64(i)/float64(sr)))
	}
	return x
}

// toneHz is the pitch of a steady tone: its phase at both ends of the middle, by correlation
// with a known tone under a Hann window.
func toneHz(x []float32, hz float64, sr int) float64 {
	const blocks = 64
	n := len(x) / blocks
	turn, last := 0.0, 0.0
	for b := 2; b < blocks-2; b++ {
		re, im := 0.0, 0.0
		for i := range n {
			w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
			p := 2 * math.Pi * hz * float64(b*n+i) / float64(sr)
			re += w * float64(x[b*n+i]) * math.Cos(p)
			im -= w * float64(x[b*n+i]) * math.Sin(p)
		}
		p := math.Atan2(im, re)
		if b > 2 {
			turn += math.Remainder(p-last, 2*math.Pi)
		}
		last = p
	}
	return hz + turn/(2*math.Pi)*float64(sr)/float64((blocks-5)*n)
}

func rmsDB(x []float32) float64 {
	sum := 0.0
	for _, v := range x {
		sum += float64(v) * float64(v)
	}
	return 10 * math.Log10(sum/float64(len(x)))
}

func TestTonesKeepPitchAndLevel(t *testing.T) {
	worst, loud := 0.0, 0.0
	rates := []int{44100, 48000, 96000}
	if underRace {
		rates = rates[:1]
	}
	for _, sr := range rates {
		for _, hz := range []float64{82.41, 220, 440.7, 1046.5, 3520, 9000} {
			x := tone(hz, 2*sr, sr)
			for _, speed := range speeds {
				y := stretch(t, x, sr, speed)
				cents := 1200 * math.Log2(toneHz(y, hz, sr)/hz)
				worst = max(worst, math.Abs(cents))
				level := rmsDB(y) - rmsDB(x)
				loud = max(loud, math.Abs(level))
				if math.Abs(cents) > 1 || math.Abs(level) > 0.5 {
					t.Errorf("%g Hz at %d Hz, speed %s: %+.2f cents, %+.2f dB", hz, sr, speed, cents, level)
				}
			}
		}
	}
	t.Logf("worst: %.3f cents, %.3f dB", worst, loud)
}

func TestNoiseAndVoiceKeepLevel(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	noise := make([]float32, 3*rate)
	for i := range noise {
		noise[i] = float32(r.NormFloat64() * 0.1)
	}
	v := singer.Voice{Seed: 3, SampleRate: rate, Breath: 0.05}
	speech := v.Sing(singer.Speech(5, 0, 6*rate, rate, 45), 0, 6*rate)
	for name, x := range map[string][]float32{"noise": noise, "speech": speech} {
		for _, speed := range speeds {
			y := stretch(t, x, rate, speed)
			level := rmsDB(y) - rmsDB(x)
			t.Logf("%s at %s: %+.3f dB", name, speed, level)
			if math.Abs(level) > 0.2 { // a crossfade that kept amplitudes would lose 0.4 dB of noise
				t.Errorf("%s at %s: the level moves by %+.2f dB", name, speed, level)
			}
		}
	}
}

// clickAt adds a decaying burst that begins with its full height.
func clickAt(x []float32, at int) {
	for i := range 240 {
		if at+i < len(x) {
			x[at+i] += float32(0.8 * math.Exp(-float64(i)/30) * math.Cos(float64(i)))
		}
	}
}

// Each click is there once, within 10 ms of its place: alone, over a tone,
// over noise, and 40 ms apart.
func TestClicksStayOneAndInPlace(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	beds := map[string][]float32{"silence": make([]float32, 4*rate), "tone": tone(196.3, 4*rate, rate), "noise": make([]float32, 4*rate)}
	for i := range beds["noise"] {
		beds["noise"][i] = float32(r.NormFloat64() * 0.01)
	}
	for i := range beds["tone"] {
		beds["tone"][i] *= 0.1
	}
	for name, bed := range beds {
		for _, apart := range []int{1920, 12007, 24000} {
			x := slices.Clone(bed)
			var at []int
			for p := 5000; p < len(x)-5000; p += apart {
				at = append(at, p)
				clickAt(x, p)
			}
			for _, speed := range speeds {
				checkClicks(t, fmt.Sprintf("%s, %d apart, speed %s", name, apart, speed), stretch(t, x, rate, speed), at, speed)
			}
		}
	}
}

// checkClicks finds each rise over 0.3 after 2 ms without one.
func checkClicks(t *testing.T, name string, y []float32, at []int, speed timecode.Ratio) {
	t.Helper()
	var got []int
	quiet := 96
	for i, v := range y {
		if quiet++; v > 0.4 || v < -0.4 {
			if quiet > 96 {
				got = append(got, i)
			}
			quiet = 0
		}
	}
	if len(got) != len(at) {
		t.Errorf("%s: %d clicks, want %d", name, len(got), len(at))
		return
	}
	for i, p := range got {
		want := float64(at[i]) / speed.Float()
		if ms := (float64(p) - want) / rate * 1000; math.Abs(ms) > 10 {
			t.Errorf("%s: click %d is %+.1f ms beside its place", name, i, ms)
		}
	}
}

// A chirp says where each moment of the output comes from.
func TestPlacesStayWithinTwentyMilliseconds(t *testing.T) {
	const n = 3 * rate
	x := make([]float32, n)
	phase := 0.0
	hz := func(i float64) float64 { return 300 + 1200*i/n }
	for i := range x {
		phase += 2 * math.Pi * hz(float64(i)) / rate
		x[i] = float32(0.5 * math.Sin(phase))
	}
	for _, speed := range speeds {
		y := stretch(t, x, rate, speed)
		if !slices.Equal(y[:200], x[:200]) {
			t.Errorf("speed %s: the beginning is not the beginning", speed)
		}
		worst := 0.0
		for at := 4800; at < len(y)-4800; at += 4800 {
			want := float64(at) * speed.Float()
			got := toneHz(y[at-1600:at+1600], hz(want), rate)
			worst = max(worst, math.Abs(got-hz(want))/1200*3000) // 1200 Hz in 3000 ms
		}
		t.Logf("speed %s: %.1f ms", speed, worst)
		if worst > 20 {
			t.Errorf("speed %s: a moment is %.1f ms from its place", speed, worst)
		}
	}
}

func TestSpeedOneIsTheSame(t *testing.T) {
	x := tone(333, 10007, rate)
	y := stretch(t, x, rate, timecode.Int(1))
	if !slices.Equal(x, y) {
		t.Error("speed 1 changes the sound")
	}
	y[0] = 1
	if x[0] == 1 {
		t.Error("the output is the input's own memory")
	}
}

// Whatever the length, the output's is exact, finite, and no louder than a
// crossfade can make it.
func TestOddLengths(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	lengths := 200
	if underRace {
		lengths = 60
	}
	for n := range lengths {
		if n > 40 {
			n = n * n / 7
		}
		x := make([]float32, n)
		for i := range x {
			x[i] = float32(r.Float64()*2 - 1)
			if r.IntN(300) == 0 {
				x[i] *= 30
			}
		}
		for _, speed := range []timecode.Ratio{timecode.R(1, 2), timecode.R(997, 1000), timecode.R(7, 5), timecode.Int(2)} {
			for _, sr := range []int{8000, 192000} {
				for i, v := range stretch(t, x, sr, speed) {
					if !(math.Abs(float64(v)) <= 43) {
						t.Fatalf("n %d speed %s: sample %d is %v", n, speed, i, v)
					}
				}
			}
		}
	}
}

func TestStretchRefuses(t *testing.T) {
	for _, speed := range []timecode.Ratio{{}, timecode.R(-1, 1), timecode.R(49, 100), timecode.R(201, 100), timecode.R(1<<30, 1<<30+1)} {
		if _, err := Stretch(make([]float32, 100), rate, speed); err == nil {
			t.Errorf("speed %s was taken", speed)
		}
	}
	if _, err := Stretch(nil, 100, timecode.R(1, 2)); err == nil {
		t.Error("a sample rate of 100 Hz was taken")
	}
}

func BenchmarkStretch(b *testing.B) {
	v := singer.Voice{Seed: 3, SampleRate: rate}
	const seconds = 10
	x := v.Sing(singer.Speech(5, 0, seconds*rate, rate, 45), 0, seconds*rate)
	for _, speed := range []timecode.Ratio{timecode.R(1, 2), timecode.R(3, 4), timecode.R(3, 2)} {
		b.Run(speed.String(), func(b *testing.B) {
			for b.Loop() {
				stretch(b, x, rate, speed)
			}
			b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}
