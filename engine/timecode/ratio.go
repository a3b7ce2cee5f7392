// Package timecode is exact time: rational numbers, frame rates, frames,
// samples and SMPTE ST 12-1 time code. No float holds a time here.
package timecode

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

// Ratio is an exact rational number Num/Den in lowest terms with Den > 0.
// The zero value is 0 (Den 0 is read as 1). It is comparable when made by R
// or by the methods below. Bounds: |Num| and Den at most MaxTerm; arithmetic
// that leaves them panics with errTerm, so code that sums many unlike
// ratios works in *big.Rat (see Rat) and comes back with FromRat.
type Ratio struct{ Num, Den int64 }

// MaxTerm bounds a ratio's terms: products of two stay inside int64 with room.
const MaxTerm = 1 << 53

const errTerm = "timecode: ratio out of range"

// R makes Num/Den in lowest terms. Den 0 panics.
func R(num, den int64) Ratio {
	if den == 0 {
		panic("timecode: ratio with denominator 0")
	}
	if den < 0 {
		num, den = -num, -den
	}
	if g := gcd(abs(num), den); g > 1 {
		num, den = num/g, den/g
	}
	return Ratio{num, den}
}

// Int is n/1.
func Int(n int64) Ratio { return Ratio{n, 1} }

// Rat is r as a *big.Rat, which the caller may change.
func (r Ratio) Rat() *big.Rat { return big.NewRat(r.Num, r.den()) }

// FromRat reports x as a Ratio, and false when its terms pass MaxTerm.
func FromRat(x *big.Rat) (Ratio, bool) {
	if !x.Num().IsInt64() || !x.Denom().IsInt64() {
		return Ratio{}, false
	}
	r := Ratio{x.Num().Int64(), x.Denom().Int64()}
	return r, r.InRange()
}

// InRange reports whether the terms are within MaxTerm and Den is not negative.
func (r Ratio) InRange() bool {
	return r.Num <= MaxTerm && r.Num >= -MaxTerm && r.Den >= 0 && r.Den <= MaxTerm
}

func (r Ratio) den() int64 {
	if r.Den == 0 {
		return 1
	}
	return r.Den
}

func mustFrom(x *big.Rat) Ratio {
	r, ok := FromRat(x)
	if !ok {
		panic(errTerm)
	}
	return r
}

func (r Ratio) Add(s Ratio) Ratio { return mustFrom(new(big.Rat).Add(r.Rat(), s.Rat())) }
func (r Ratio) Sub(s Ratio) Ratio { return mustFrom(new(big.Rat).Sub(r.Rat(), s.Rat())) }
func (r Ratio) Mul(s Ratio) Ratio { return mustFrom(new(big.Rat).Mul(r.Rat(), s.Rat())) }

// Div is r/s; s = 0 panics.
func (r Ratio) Div(s Ratio) Ratio { return mustFrom(new(big.Rat).Quo(r.Rat(), s.Rat())) }

// Cmp is -1, 0 or +1 as r is less than, equal to or greater than s.
func (r Ratio) Cmp(s Ratio) int { return r.Rat().Cmp(s.Rat()) }

// Sign is -1, 0 or +1.
func (r Ratio) Sign() int {
	switch {
	case r.Num < 0:
		return -1
	case r.Num > 0:
		return 1
	}
	return 0
}

// Float is the nearest float64, for display and for signal processing only.
func (r Ratio) Float() float64 { return float64(r.Num) / float64(r.den()) }

// Floor is the largest integer not above r.
func (r Ratio) Floor() int64 { return floorDiv(r.Num, r.den()) }

// Round is the nearest integer, halves up (towards +infinity).
func (r Ratio) Round() int64 { return RoundRat(r.Rat()) }

// String is "n/d", or "n" when d is 1.
func (r Ratio) String() string {
	if r.den() == 1 {
		return strconv.FormatInt(r.Num, 10)
	}
	return fmt.Sprintf("%d/%d", r.Num, r.den())
}

// ParseRatio reads "n", "n/d" or a decimal such as "23.976" (taken as written:
// 23976/1000). Terms beyond MaxTerm are refused.
func ParseRatio(s string) (Ratio, error) {
	s = strings.TrimSpace(s)
	if len(s) == 0 || len(s) > 40 || strings.ContainsAny(s, "eEpPxX_") {
		return Ratio{}, fmt.Errorf("%q is not a number or a ratio n/d", clip(s))
	}
	x, ok := new(big.Rat).SetString(s)
	if !ok {
		return Ratio{}, fmt.Errorf("%q is not a number or a ratio n/d", s)
	}
	r, ok := FromRat(x)
	if !ok {
		return Ratio{}, fmt.Errorf("%q is out of range", s)
	}
	return r, nil
}

// MarshalText and UnmarshalText make a Ratio readable in TOML and JSON.
func (r Ratio) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

func (r *Ratio) UnmarshalText(b []byte) error {
	v, err := ParseRatio(string(b))
	if err == nil {
		*r = v
	}
	return err
}

// RoundRat is the nearest integer to x, halves up: the one rounding rule of
// this program. x must fit int64.
func RoundRat(x *big.Rat) int64 {
	num := new(big.Int).Lsh(x.Num(), 1) // floor((2n+d)/(2d))
	num.Add(num, x.Denom())
	den := new(big.Int).Lsh(x.Denom(), 1)
	q := new(big.Int)
	q.Div(num, den) // Euclidean: floors, as den > 0
	if !q.IsInt64() {
		panic(errTerm)
	}
	return q.Int64()
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

func abs(n int64) int64 {
	if n < 0 {
		return -n
	}
	return n
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}
