// Package tempo is the map of bars and beats against the picture: its exact
// arithmetic, the solver that lays beats on hits, and the click that sounds it.
//
// A position on the map is a number of quarter notes from bar 1 beat 1. A
// frame position is a rational number of frames of the reference. Every
// position is an exact rational, rounded once, where a sample is asked for.
package tempo

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Lands says on what a hit has to fall. The zero value is a bar line.
type Lands string

const (
	LandsBar  Lands = "bar"  // a bar line
	LandsBeat Lands = "beat" // any beat of a bar, its bar line among them
	LandsHalf Lands = "half" // any beat, or half-way between two
)

// Validate reports a word that is not one of the three (empty is a bar).
func (l Lands) Validate() error {
	switch l {
	case "", LandsBar, LandsBeat, LandsHalf:
		return nil
	}
	return fault.New(fault.Usage, "%q is not a place a hit can land on", clip(string(l))).Mended("write bar, beat or half")
}

// Hit is a frame of the reference on which the music has to land.
type Hit struct {
	Frame     int64  // frame of the reference that must coincide with the landing
	Must      bool   // a must-hit lands exactly; a want-hit is missed when it costs too much
	Tolerance int64  // frames either way within which it counts as caught; 0: the landing rounds to Frame
	Lands     Lands  // what it falls on; empty is a bar
	Name      string // for the reader
	Bar, Beat int    // a wish for one place, both from 1; Bar 0 is free, Beat 0 any allowed beat of that bar

	pinned bool // a pinned beat: exact in every map, nearest ones too
}

// Style is how the tempo may move.
type Style string

const (
	Steady  Style = "steady"  // one tempo throughout
	Stepped Style = "stepped" // tempo changes on hits, at bar lines where the hits are
	Gliding Style = "gliding" // tempo glides from hit to hit
	Follow  Style = "follow"  // fitted to the reference's own beats (FromBeats)
	Tapped  Style = "tapped"  // fitted to beats tapped by hand (FromBeats)
)

// Validate reports a style that is unknown. Empty is stepped.
func (s Style) Validate() error {
	switch s {
	case "", Steady, Stepped, Gliding, Follow, Tapped:
		return nil
	}
	return fault.New(fault.Usage, "%q is not a style of tempo map", clip(string(s))).Mended("choose steady, stepped or gliding")
}

// Metre is a time signature; the zero value is read as 4/4.
type Metre struct{ Num, Den int }

// maxMetreTerm bounds both terms of a metre.
const maxMetreTerm = 32

// ParseMetre reads "4/4".
func ParseMetre(s string) (Metre, error) {
	bad := fault.New(fault.Usage, "%q is not a metre", clip(s)).Mended("write beats over note value, such as 4/4, 3/4 or 6/8")
	a, b, ok := strings.Cut(strings.TrimSpace(s), "/")
	if !ok || len(a) > 2 || len(b) > 2 {
		return Metre{}, bad
	}
	n, err1 := strconv.ParseUint(a, 10, 8)
	d, err2 := strconv.ParseUint(b, 10, 8)
	if err1 != nil || err2 != nil || n == 0 || d == 0 { // the zero Metre is 4/4, but nobody writes it so
		return Metre{}, bad
	}
	m := Metre{int(n), int(d)}
	return m, m.Validate()
}

// Validate reports a metre outside 1..32 over 1, 2, 4, 8, 16 or 32.
func (m Metre) Validate() error {
	if m == (Metre{}) {
		return nil
	}
	d := m.Den
	if m.Num < 1 || m.Num > maxMetreTerm || d < 1 || d > maxMetreTerm || d&(d-1) != 0 {
		return fault.New(fault.OverLimit, "metre %d/%d is out of range", m.Num, m.Den).
			Mended("use 1 to 32 over 1, 2, 4, 8, 16 or 32")
	}
	return nil
}

func (m Metre) orCommon() Metre {
	if m == (Metre{}) {
		return Metre{4, 4}
	}
	return m
}

// String is "4/4".
func (m Metre) String() string { m = m.orCommon(); return fmt.Sprintf("%d/%d", m.Num, m.Den) }

// MarshalText is String.
func (m Metre) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText is ParseMetre.
func (m *Metre) UnmarshalText(b []byte) error {
	v, err := ParseMetre(string(b))
	if err == nil {
		*m = v
	}
	return err
}

// Compound metres count in dotted notes: 6/8, 9/8, 12/8 and their kin.
func (m Metre) Compound() bool {
	m = m.orCommon()
	return m.Den >= 8 && m.Num > 3 && m.Num%3 == 0
}

// Beats is how many beats a bar has: 4 in 4/4, 2 in 6/8.
func (m Metre) Beats() int {
	m = m.orCommon()
	if m.Compound() {
		return m.Num / 3
	}
	return m.Num
}

// BeatQuarters is a beat's length in quarter notes: 1 in 4/4, 3/2 (a dotted
// quarter) in 6/8, 2 in 2/2.
func (m Metre) BeatQuarters() timecode.Ratio {
	m = m.orCommon()
	if m.Compound() {
		return timecode.R(12, int64(m.Den))
	}
	return timecode.R(4, int64(m.Den))
}

// BarQuarters is a bar's length in quarter notes: 4 in 4/4, 3 in 6/8.
func (m Metre) BarQuarters() timecode.Ratio {
	m = m.orCommon()
	return timecode.R(4*int64(m.Num), int64(m.Den))
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}
