// Package timing holds sung onsets against the places they were meant for, in
// milliseconds and picture frames, and finds the onsets of unpitched sound.
package timing

import (
	"math"
	"slices"

	"cuechoir/engine/timecode"
	"cuechoir/internal/dsp"
)

// Tolerance is how far an onset may be off. The zero value stands for
// DefaultTolerance.
type Tolerance struct{ EarlyMilliseconds, LateMilliseconds float64 }

// DefaultTolerance is EBU R 37's for sound against picture: 40 ms early, 60 ms
// late (from memory).
var DefaultTolerance = Tolerance{EarlyMilliseconds: 40, LateMilliseconds: 60}

// Verdict on an onset.
type Verdict int

const (
	OnTime Verdict = iota
	Early
	Late
)

func (v Verdict) String() string { return [...]string{"on time", "early", "late"}[v] }

// Filled is the tolerance with its defaults in.
func (t Tolerance) Filled() Tolerance {
	if t.EarlyMilliseconds <= 0 {
		t.EarlyMilliseconds = DefaultTolerance.EarlyMilliseconds
	}
	if t.LateMilliseconds <= 0 {
		t.LateMilliseconds = DefaultTolerance.LateMilliseconds
	}
	return t
}

// Judge an onset that is ms after its target (before: negative).
func (t Tolerance) Judge(ms float64) Verdict {
	t = t.Filled()
	switch {
	case ms < -t.EarlyMilliseconds:
		return Early
	case ms > t.LateMilliseconds:
		return Late
	default:
		return OnTime
	}
}

// Milliseconds that samples last.
func Milliseconds(samples int64, sampleRate int) float64 {
	return 1000 * float64(samples) / float64(sampleRate)
}

// Frames that milliseconds last at a picture rate, unrounded.
func Frames(ms float64, r timecode.Rate) float64 {
	if r.Den == 0 {
		return 0
	}
	return ms / 1000 * float64(r.Num) / float64(r.Den)
}

// Entry is one note's start as heard: Attack is where its consonant begins,
// Onset where its voice does (Attack <= Onset), Target where it was meant.
// Murmur is where soft sound on the note's pitch leads into the voice, before
// Onset, or Onset: it may be a voiced consonant, which is the note, or a room.
// Swell is where a slow swell is first heard as the note, after Onset, or Onset.
type Entry struct{ Attack, Onset, Target, Murmur, Swell int64 }

// Nearest is the reading, from the note's murmur over sample to its swell, that
// lies nearest to the target: of readings that cannot be told apart the kindest.
func (e Entry) Nearest(sample int64) int64 {
	first, last := min(sample, e.Murmur), max(sample, e.Murmur, e.Swell)
	return max(first, min(e.Target, last))
}

// Habit is how a singer lays consonants on the beat: Share 0 puts the voice
// there and the consonant before it, 1 the consonant's start. A beat is heard
// near the vowel (Morton, Marcus & Frankish 1976 on P-centres), but singers and
// arrangers differ. Known: the layer's own entries show it.
type Habit struct {
	Share float64
	Known bool
}

// At is the sample that counts as the note's start under a habit.
func (h Habit) At(e Entry) int64 {
	return e.Onset - int64(math.Round(h.Share*float64(e.Onset-e.Attack)))
}

const (
	habitEntries = 4    // notes with a consonant needed to learn a habit
	habitKnown   = 1.3  // one end must leave so many times the scatter of the other
	habitLead    = 0.02 // seconds from which a consonant counts
	habitGain    = 0.8  // a habit must leave this much less scatter than the voice-on-beat one
	habitStep    = 0.25
	habitTrimmed = 0.2 // worst entries that do not count
)

// FindHabit picks the habit under which a layer's entries scatter least; 0,
// the voice on the beat, unless another is plainly better.
func FindHabit(entries []Entry, sampleRate int) Habit {
	var led, plain []Entry
	for _, e := range entries {
		if float64(e.Onset-e.Attack) >= habitLead*float64(sampleRate) {
			led = append(led, e)
		} else {
			plain = append(plain, e)
		}
	}
	if len(led) < habitEntries {
		return Habit{}
	}
	all := append(slices.Clone(led), plain...)
	voice, consonant := scatter(all, Habit{}), scatter(all, Habit{Share: 1})
	best, least := Habit{}, voice*habitGain
	for share := habitStep; share <= 1; share += habitStep {
		if s := scatter(all, Habit{Share: share}); s < least {
			best, least = Habit{Share: share}, s
		}
	}
	best.Known = max(voice, consonant) > habitKnown*min(voice, consonant)
	return best
}

// scatter is the trimmed mean distance from the median.
func scatter(entries []Entry, h Habit) float64 {
	off := make([]float64, len(entries))
	for i, e := range entries {
		off[i] = float64(h.At(e) - e.Target)
	}
	mid := dsp.Median(off)
	for i := range off {
		off[i] = math.Abs(off[i] - mid)
	}
	slices.Sort(off)
	keep := max(1, len(off)-int(habitTrimmed*float64(len(off))))
	sum := 0.0
	for _, v := range off[:keep] {
		sum += v
	}
	return sum / float64(keep)
}

// Bias is the lateness that a layer's notes share, ms, and their scatter
// (1.4826 * median absolute deviation).
type Bias struct {
	Milliseconds, SpreadMilliseconds float64
	Notes                            int
}

// A layer is off as a whole when its median is beyond BiasMilliseconds and the
// notes agree: latency of a device or of a habit, not of one note.
const (
	BiasMilliseconds = 30.0
	biasErrors       = 4.0
	biasNotes        = 5
)

// FindBias of lateness in ms.
func FindBias(ms []float64) Bias {
	b := Bias{Milliseconds: dsp.Median(ms), Notes: len(ms)}
	dev := make([]float64, len(ms))
	for i, v := range ms {
		dev[i] = math.Abs(v - b.Milliseconds)
	}
	b.SpreadMilliseconds = 1.4826 * dsp.Median(dev)
	return b
}

// Significant says whether the layer as a whole is early or late.
func (b Bias) Significant() bool {
	err := 1.2533 * b.SpreadMilliseconds / math.Sqrt(math.Max(1, float64(b.Notes)))
	return b.Notes >= biasNotes && math.Abs(b.Milliseconds) > BiasMilliseconds && math.Abs(b.Milliseconds) > biasErrors*err
}
