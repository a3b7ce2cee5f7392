package example

import "cuechoir/engine/timecode"

// Hit is a frame that the music must, or should, land on.
type Hit struct {
	Frame     int64
	Must      bool
	Tolerance int64  // frames, for those that are not a must
	Lands     string // "bar", "beat" or "half"
	Name      string
	Bar       int // the bar that the score's parts have there, or 0
}

// anchor says that a quarter, counted from bar 1 beat 1, falls on a frame.
type anchor struct{ quarter, frame int64 }

// anchors are the tempo plan: even between two, so the click is 14-7 to 15-2 in
// frames and eighths, 94 to 97 beats a minute. The last one ends the music.
func anchors() []anchor {
	return []anchor{{0, 24}, {8, 143}, {16, 265}, {28, 444}, {40, 626}, {56, 865}, {68, 1044}, {80, 1226}, {88, 1347}, {96, 1466}}
}

// Bars is how many bars of 4/4 the score has.
const Bars = 24

// Hits are chosen from the cuts; all are at bar lines or beats of the plan.
func Hits() []Hit {
	return []Hit{
		{Frame: 143, Must: true, Lands: "bar", Name: "First title", Bar: 3},
		{Frame: 265, Must: true, Lands: "bar", Name: "The cutter"},
		{Frame: 444, Tolerance: 2, Lands: "bar", Name: "Lightning"},
		{Frame: 626, Must: true, Lands: "bar", Name: "The door"},
		{Frame: 775, Tolerance: 2, Lands: "beat", Name: "Through the glass"},
		{Frame: 865, Must: true, Lands: "bar", Name: "The beast"},
		{Frame: 1044, Tolerance: 2, Lands: "bar", Name: "The longboat"},
		{Frame: 1226, Must: true, Lands: "bar", Name: "The lamp is lit"},
		{Frame: 1347, Must: true, Lands: "bar", Name: "Last title"},
	}
}

// FrameAt is the frame, a rational one, of a quarter counted from bar 1 beat 1,
// by the plan that the reference's own music follows. The first and the last
// tempo run on beyond the ends.
func FrameAt(quarter timecode.Ratio) timecode.Ratio {
	list := anchors()
	i := 0
	for i+2 < len(list) && quarter.Cmp(timecode.Int(list[i+1].quarter)) >= 0 {
		i++
	}
	a, b := list[i], list[i+1]
	pace := timecode.R(b.frame-a.frame, b.quarter-a.quarter)
	return timecode.Int(a.frame).Add(quarter.Sub(timecode.Int(a.quarter)).Mul(pace))
}

// SampleAt is FrameAt in samples, rounded once.
func SampleAt(quarter timecode.Ratio, sampleRate int) int64 {
	return Rate().SamplePos(FrameAt(quarter), sampleRate).Round()
}
