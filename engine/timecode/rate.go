package timecode

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
)

// Rate is a picture rate in frames a second, exactly Num/Den, with Drop for
// drop-frame counting of its time code (SMPTE ST 12-1; 30000/1001 and
// 60000/1001 only). Comparable. The zero value is not a rate.
type Rate struct {
	Num, Den int64
	Drop     bool
}

// The rates that pictures are delivered in.
var (
	Rate23976  = Rate{Num: 24000, Den: 1001}
	Rate24     = Rate{Num: 24, Den: 1}
	Rate25     = Rate{Num: 25, Den: 1}
	Rate2997   = Rate{Num: 30000, Den: 1001}
	Rate2997DF = Rate{Num: 30000, Den: 1001, Drop: true}
	Rate30     = Rate{Num: 30, Den: 1}
	Rate48     = Rate{Num: 48, Den: 1}
	Rate50     = Rate{Num: 50, Den: 1}
	Rate5994   = Rate{Num: 60000, Den: 1001}
	Rate5994DF = Rate{Num: 60000, Den: 1001, Drop: true}
	Rate60     = Rate{Num: 60, Den: 1}
)

// Bounds of a rate: 1 to 1000 frames a second, terms below 10 million.
const (
	maxRateTerm = 10_000_000
	maxRateFPS  = 1000
)

// rateNames are the short forms people write; decimals mean the NTSC ratio.
var rateNames = map[string]Rate{
	"23.976": Rate23976, "23.98": Rate23976, "24": Rate24, "25": Rate25,
	"29.97": Rate2997, "29.97ndf": Rate2997, "29.97df": Rate2997DF, "30": Rate30,
	"30df": Rate2997DF, "48": Rate48, "50": Rate50, "59.94": Rate5994, "59.94ndf": Rate5994,
	"59.94df": Rate5994DF, "60": Rate60, "47.95": {Num: 48000, Den: 1001}, "47.952": {Num: 48000, Den: 1001},
	"119.88": {Num: 120000, Den: 1001},
}

// ParseRate reads "23.976", "24", "29.97df", "30000/1001", "30000/1001df" or
// any n/d between 1 and 1000 frames a second.
func ParseRate(s string) (Rate, error) {
	key := strings.ToLower(strings.TrimSpace(s))
	key = strings.TrimSuffix(strings.TrimSuffix(key, "fps"), " ")
	if r, ok := rateNames[key]; ok {
		return r, nil
	}
	drop := strings.HasSuffix(key, "df") && !strings.HasSuffix(key, "ndf")
	q, err := ParseRatio(strings.TrimSuffix(strings.TrimSuffix(key, "ndf"), "df"))
	if err != nil {
		return Rate{}, fmt.Errorf("%q is not a frame rate: write 24, 23.976, 29.97df or a ratio such as 24000/1001", clip(s))
	}
	r := Rate{Num: q.Num, Den: q.den(), Drop: drop}
	return r, r.Validate()
}

// Validate reports why r is not a rate that can be counted in.
func (r Rate) Validate() error {
	if r.Num <= 0 || r.Den <= 0 || r.Num > maxRateTerm || r.Den > maxRateTerm {
		return fmt.Errorf("frame rate %d/%d is out of range", r.Num, r.Den)
	}
	if r.Num < r.Den || r.Num > maxRateFPS*r.Den {
		return fmt.Errorf("frame rate %d/%d is outside 1 to %d frames a second", r.Num, r.Den, maxRateFPS)
	}
	if r.Drop && r.dropped() == 0 {
		return fmt.Errorf("drop-frame counting exists at 29.97 and 59.94 frames a second only, not at %s", Rate{Num: r.Num, Den: r.Den})
	}
	return nil
}

// String is the form ParseRate reads: "24", "24000/1001", "30000/1001df".
func (r Rate) String() string {
	s := Ratio{r.Num, r.Den}.String()
	if r.Drop {
		s += "df"
	}
	return s
}

func (r Rate) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

func (r *Rate) UnmarshalText(b []byte) error {
	v, err := ParseRate(string(b))
	if err == nil {
		*r = v
	}
	return err
}

// Nominal is the whole number of frames that the time code counts in a
// second: 24 for 24000/1001, 30 for 30000/1001; at least 1.
func (r Rate) Nominal() int64 { return (r.Num + r.Den - 1) / r.Den }

// Float is frames a second, for display only.
func (r Rate) Float() float64 { return float64(r.Num) / float64(r.Den) }

// Frame k begins at sample
// round(k*sr*Den/Num), halves up: one rule, written once.

// SampleOf is the sample at which frame k begins, at sampleRate Hz. Frames
// before zero give samples before zero. Beyond ±MaxTerm samples it stops there.
func (r Rate) SampleOf(frame int64, sampleRate int) int64 {
	if frame < 0 {
		// round half up of a negative: -ceil(x-1/2) = floor(-x+1/2)
		return -mulDiv(uint64(-frame), uint64(sampleRate)*uint64(r.Den), uint64(r.Num), uint64(r.Num)-1)
	}
	return mulDiv(uint64(frame), uint64(sampleRate)*uint64(r.Den), uint64(r.Num), uint64(r.Num))
}

// mulDiv is floor((2*a*b + bias) / (2*c)), at most MaxTerm.
func mulDiv(a, b, c, bias uint64) int64 {
	hi, lo := bits.Mul64(2*a, b)
	lo, carry := bits.Add64(lo, bias, 0)
	hi += carry
	if a > math.MaxInt64 || hi >= 2*c {
		return MaxTerm
	}
	q, _ := bits.Div64(hi, lo, 2*c)
	return int64(min(q, MaxTerm))
}

// FrameOf is the frame that sounds at a sample: the largest k with
// SampleOf(k) <= sample. FrameOf(SampleOf(k)) == k for every k within
// ±MaxTerm samples; a sample beyond is taken for one there.
func (r Rate) FrameOf(sample int64, sampleRate int) int64 {
	sample = max(-MaxTerm+1, min(sample, MaxTerm-1))
	// A close guess, then mended by the rule itself: |sample| is below 2^53 and
	// Num below 2^24, so the quotient fits at every sample rate from 8192 Hz on.
	hi, lo := bits.Mul64(uint64(abs(sample)), uint64(r.Num))
	q, _ := bits.Div64(min(hi, uint64(sampleRate)*uint64(r.Den)-1), lo, uint64(sampleRate)*uint64(r.Den))
	k := int64(q)
	if sample < 0 {
		k = -k - 1
	}
	for r.SampleOf(k, sampleRate) > sample {
		k--
	}
	for r.SampleOf(k+1, sampleRate) <= sample {
		k++
	}
	return k
}

// SamplePos is the exact, unrounded sample position of a rational frame.
func (r Rate) SamplePos(frame Ratio, sampleRate int) Ratio {
	return frame.Mul(R(int64(sampleRate)*r.Den, r.Num))
}
