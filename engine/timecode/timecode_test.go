package timecode

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

var allRates = []Rate{Rate23976, Rate24, Rate25, Rate2997, Rate2997DF, Rate30, Rate48, Rate50, Rate5994, Rate5994DF, Rate60, {Num: 12, Den: 1}, {Num: 18, Den: 1}, {Num: 100000, Den: 4171}}

// SMPTE ST 12-1 drop-frame counting: 10 minutes are 17982 frames, one hour
// 107892; 00:00:59;29 is followed by 00:01:00;02 (the standard's own example).
func TestDropFrameVectors(t *testing.T) {
	r := Rate2997DF
	for _, c := range []struct {
		frame int64
		tc    string
	}{
		{0, "00:00:00;00"}, {1799, "00:00:59;29"}, {1800, "00:01:00;02"}, {17981, "00:09:59;29"},
		{17982, "00:10:00;00"}, {107892, "01:00:00;00"}, {24*107892 - 1, "23:59:59;29"},
	} {
		if got := r.Timecode(c.frame); got != c.tc {
			t.Errorf("Timecode(%d) = %s, want %s", c.frame, got, c.tc)
		}
		if got, err := r.ParseTimecode(c.tc); err != nil || got != c.frame {
			t.Errorf("ParseTimecode(%s) = %d, %v, want %d", c.tc, got, err, c.frame)
		}
	}
	if _, err := r.ParseTimecode("00:01:00;00"); err == nil {
		t.Error("the dropped number 00:01:00;00 was accepted")
	}
	if got := Rate2997.Timecode(107892); got != "00:59:56:12" {
		t.Errorf("non-drop label of frame 107892 = %s, want 00:59:56:12 (3.6 s behind: 108 numbers)", got)
	}
}

// Samples of five frames in turn at 30000/1001 and 48 kHz sum to 8008; a frame
// at 24000/1001 is exactly 2002 samples (STANDARDS: sound and picture).
func TestFrameSamples(t *testing.T) {
	if got := Rate23976.SampleOf(1, 48000); got != 2002 {
		t.Errorf("a frame at 24000/1001 is %d samples, want 2002", got)
	}
	if got := Rate2997.SampleOf(5, 48000); got != 8008 {
		t.Errorf("five frames at 30000/1001 are %d samples, want 8008", got)
	}
	if got := Rate2997.SampleOf(1, 48000); got != 1602 {
		t.Errorf("frame 1 at 30000/1001 begins at %d, want round(1601.6) = 1602", got)
	}
}

// Before frame 0 lies the count-in: the rule holds there too, against exact
// rational arithmetic.
func TestFramesBeforeZero(t *testing.T) {
	for _, r := range allRates {
		for _, sr := range []int{44100, 48000, 96000} {
			for k := int64(-3000); k < 0; k++ {
				s := r.SampleOf(k, sr)
				if want := RoundRat(big.NewRat(k*int64(sr)*r.Den, r.Num)); s != want || r.FrameOf(s, sr) != k {
					t.Fatalf("%s at %d Hz: frame %d begins at %d, want %d, which sounds in %d", r, sr, k, s, want, r.FrameOf(s, sr))
				}
			}
		}
	}
}

func TestFrameOfIsTheSoundingFrame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.SampledFrom(allRates).Draw(t, "rate")
		sr := rapid.SampledFrom([]int{44100, 48000, 96000}).Draw(t, "sr")
		s := rapid.Int64Range(-1e9, 1e10).Draw(t, "sample")
		k := r.FrameOf(s, sr)
		if r.SampleOf(k, sr) > s || r.SampleOf(k+1, sr) <= s {
			t.Fatalf("sample %d is not inside frame %d", s, k)
		}
	})
}

// Far outside any film the answers stop at a bound instead of running on.
func TestFarAwayIsBounded(t *testing.T) {
	for _, r := range allRates {
		for _, s := range []int64{math.MaxInt64, math.MinInt64, MaxTerm, -MaxTerm, 1 << 52, -1 << 52} {
			k := r.FrameOf(s, 48000)
			if got := r.SampleOf(k, 48000); got > max(-MaxTerm, min(s, MaxTerm)) && s > -MaxTerm {
				t.Errorf("%s: frame %d of sample %d begins at %d", r, k, s, got)
			}
		}
		if got := r.SampleOf(math.MaxInt64, 96000); got != MaxTerm {
			t.Errorf("%s: SampleOf(MaxInt64) = %d, want the bound %d", r, got, int64(MaxTerm))
		}
	}
}

func TestParseRate(t *testing.T) {
	good := map[string]Rate{"23.976": Rate23976, "24000/1001": Rate23976, "29.97df": Rate2997DF, "30000/1001df": Rate2997DF,
		"25": Rate25, "24fps": Rate24, "12.5": {Num: 25, Den: 2}}
	for s, want := range good {
		if got, err := ParseRate(s); err != nil || got != want {
			t.Errorf("ParseRate(%q) = %v, %v, want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "0", "-24", "24/0", "25df", "1e9", "5000", "abc", "1/3", "99999999999999999999/1"} {
		if got, err := ParseRate(s); err == nil {
			t.Errorf("ParseRate(%q) = %v, want an error", s, got)
		}
	}
	for _, r := range allRates {
		if back, err := ParseRate(r.String()); err != nil || back != r {
			t.Errorf("ParseRate(%q) = %v, %v", r, back, err)
		}
	}
}

func TestRatioText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := R(rapid.Int64Range(-MaxTerm, MaxTerm).Draw(t, "num"), rapid.Int64Range(1, MaxTerm).Draw(t, "den"))
		back, err := ParseRatio(r.String())
		if err != nil || back != r {
			t.Fatalf("%s -> %v, %v", r, back, err)
		}
	})
}

func TestParsePositionRefuses(t *testing.T) {
	for _, s := range []string{"", "1.5", "abc", "00:00:00", "00:00:00:24", "24:00:00:00", "00:60:00:00", "::::", "-1:00:00:00"} {
		if got, err := Rate24.ParsePosition(s); err == nil {
			t.Errorf("ParsePosition(%q) = %d, want an error", s, got)
		}
	}
}
