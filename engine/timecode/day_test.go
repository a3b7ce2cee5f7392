package timecode

import (
	"os"
	"strconv"
	"testing"

	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

// dayRates are the rates of the design, section 4, and oddRates some that few
// use. Two pairs of the first differ in their labels alone.
var (
	dayRates = []Rate{Rate23976, Rate24, Rate25, Rate2997, Rate2997DF, Rate30, Rate48, Rate50, Rate5994, Rate5994DF, Rate60}
	oddRates = []Rate{{Num: 48000, Den: 1001}, {Num: 120, Den: 1}, {Num: 120000, Den: 1001}, {Num: 18, Den: 1}, {Num: 100000, Den: 4171}}
)

var sampleRates = []int{44100, 48000, 96000}

// wholeDay asks for each frame and label of the day at every rate.
func wholeDay() bool { return os.Getenv("CUECHOIR_WHOLE_DAY") == "1" }

// Every frame of 24 hours, at each rate of the design and each sample rate
// (every 13th at odd rates): it begins on the
// sample that adding up says (a remainder carried from frame to frame, no
// product and no division of large numbers), sounds there, and the sample
// before is still the frame before's.
func TestEveryFrameOfADay(t *testing.T) {
	for i, r := range append(dayRates, oddRates...) {
		if r.Drop {
			continue // its frames are those of the same rate without
		}
		stride := int64(dayStride)
		if i >= len(dayRates) && !wholeDay() {
			stride *= 13
		}
		t.Run(r.String(), func(t *testing.T) {
			t.Parallel()
			for _, sr := range sampleRates {
				walkDay(t, r, sr, stride)
			}
		})
	}
}

func walkDay(t *testing.T, r Rate, sr int, stride int64) {
	// round(k*sr*Den/Num), halves up, is floor((2*k*sr*Den + Num) / (2*Num))
	step, unit := 2*int64(sr)*r.Den, 2*r.Num
	whole, part := step/unit, step%unit
	sample, rest := int64(0), r.Num
	frames := 24*3600*r.Num/r.Den + 1
	for k := int64(0); k <= frames; k++ {
		if k%stride == 0 || k == frames {
			if got := r.SampleOf(k, sr); got != sample {
				t.Fatalf("%d Hz: frame %d begins at sample %d, want %d", sr, k, got, sample)
			}
			if at, before := r.FrameOf(sample, sr), r.FrameOf(sample-1, sr); at != k || before != k-1 {
				t.Fatalf("%d Hz: samples %d and %d sound in frames %d and %d, want %d and %d", sr, sample-1, sample, before, at, k-1, k)
			}
		}
		sample, rest = sample+whole, rest+part
		if rest >= unit {
			sample, rest = sample+1, rest-unit
		}
	}
}

// counter counts labels as SMPTE ST 12-1 says it: frames, seconds, minutes,
// hours, one after the other; drop-frame counting leaves out the first two
// (four at 59.94) numbers of each minute whose number does not end in 0.
type counter struct{ h, m, s, f, nominal, drop int64 }

func (c *counter) next() {
	if c.f++; c.f == c.nominal {
		c.f, c.s = 0, c.s+1
	}
	if c.s == 60 {
		c.s, c.m = 0, c.m+1
		if c.m%10 != 0 {
			c.f = c.drop
		}
	}
	if c.m == 60 {
		c.m, c.h, c.f = 0, c.h+1, 0
	}
}

func (c *counter) label(b []byte) []byte {
	two := func(n int64, sep byte) { b = append(b, byte('0'+n/10), byte('0'+n%10), sep) }
	two(c.h, ':')
	two(c.m, ':')
	two(c.s, map[bool]byte{false: ':', true: ';'}[c.drop > 0])
	if c.nominal > 100 {
		b = append(b, byte('0'+c.f/100))
	}
	return append(b, byte('0'+c.f/10%10), byte('0'+c.f%10))
}

// The labels of a whole day: every frame of the first and the last second of
// each minute, where counting can go wrong, and every 11th in between, whose
// seconds are alike; all of them with CUECHOIR_WHOLE_DAY=1.
func TestEveryLabelOfADay(t *testing.T) {
	for _, r := range append(dayRates, oddRates...) {
		t.Run(r.String(), func(t *testing.T) {
			t.Parallel()
			c := counter{nominal: r.Nominal()}
			if r.Drop {
				c.drop = r.Nominal() / 15 // 2 of 30, 4 of 60
			}
			var b [16]byte
			k, looked, all := int64(0), 0, wholeDay()
			for ; c.h < 24; k++ {
				if all || k%(11*dayStride) == 0 || c.s == 0 && c.f < 6 || (c.s == 0 || c.s == 59) && k%dayStride == 0 {
					looked++
					checkLabel(t, r, k, string(c.label(b[:0])))
				}
				c.next()
			}
			if k != r.DayFrames() {
				t.Errorf("the day has %d frames, want %d", r.DayFrames(), k)
			}
			t.Logf("%d of %d labels looked at", looked, k)
			if first := r.Timecode(0); r.Timecode(k) != first || r.Timecode(-k) != first {
				t.Errorf("a day later the label is %s, want %s", r.Timecode(k), first)
			}
		})
	}
}

func checkLabel(t *testing.T, r Rate, k int64, label string) {
	if got := r.Timecode(k); got != label {
		t.Fatalf("frame %d is labelled %s, want %s", k, got, label)
	}
	if got, err := r.ParseTimecode(label); err != nil || got != k {
		t.Fatalf("label %s is frame %d, %v, want %d", label, got, err, k)
	}
}

// Any frame of a day, by both ways round: frame, sample, frame; frame, label,
// frame; and a label a second later is the nominal count of frames later, less
// those dropped.
func TestAnyFrameOfADay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.SampledFrom(append(dayRates, oddRates...)).Draw(t, "rate")
		sr := rapid.SampledFrom(sampleRates).Draw(t, "sample rate")
		k := rapid.Int64Range(0, r.DayFrames()-1).Draw(t, "frame")
		if got := r.FrameOf(r.SampleOf(k, sr), sr); got != k {
			t.Fatalf("frame %d -> sample %d -> frame %d", k, r.SampleOf(k, sr), got)
		}
		label := r.Timecode(k)
		back, err := r.ParseTimecode(label)
		if err != nil || back != k {
			t.Fatalf("frame %d -> %s -> %d, %v", k, label, back, err)
		}
		if s, next := r.SampleOf(k, sr), r.SampleOf(k+1, sr); r.FrameOf(s+(next-s)/2, sr) != k {
			t.Fatalf("the middle of frame %d sounds in frame %d", k, r.FrameOf(s+(next-s)/2, sr))
		}
	})
}

// SMPTE ST 12-1, drop-frame: of each hour's minutes the six that end in 0 keep
// all their numbers, the other 54 have no ;00 and ;01 (at 59.94: ;00 to ;03).
func TestDroppedLabels(t *testing.T) {
	for _, c := range []struct {
		rate         Rate
		drop         int
		tenMin, hour int64
		last, next   string
	}{
		{Rate2997DF, 2, 17982, 107892, "00:00:59;29", "00:01:00;02"},
		{Rate5994DF, 4, 35964, 215784, "00:00:59;59", "00:01:00;04"},
	} {
		refused := 0
		for minute := range 24 * 60 {
			for f := range c.drop + 1 {
				label := timeLabel(minute/60, minute%60, f)
				_, err := c.rate.ParseTimecode(label)
				if skipped := minute%10 != 0 && f < c.drop; skipped != (err != nil) {
					t.Errorf("%s at %s: %v", label, c.rate, err)
				}
				if err != nil {
					refused++
				}
			}
		}
		if want := 24 * 54 * c.drop; refused != want {
			t.Errorf("%s: %d labels refused in a day, want %d", c.rate, refused, want)
		}
		for label, frame := range map[string]int64{"00:10:00;00": c.tenMin, "01:00:00;00": c.hour} {
			checkLabel(t, c.rate, frame, label)
		}
		k, err := c.rate.ParseTimecode(c.last)
		if err != nil {
			t.Fatal(err)
		}
		checkLabel(t, c.rate, k+1, c.next)
		if day := c.rate.DayFrames(); day != 24*c.hour {
			t.Errorf("%s: a day has %d frames, want %d", c.rate, day, 24*c.hour)
		}
	}
}

func timeLabel(h, m, f int) string {
	two := func(n int) string { return strconv.Itoa(n/10) + strconv.Itoa(n%10) }
	return two(h) + ":" + two(m) + ":00;" + two(f)
}
