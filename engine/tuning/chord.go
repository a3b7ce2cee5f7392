package tuning

import (
	"math"
	"slices"
	"sort"

	"cuechoir/internal/fault"
)

// Held is a note of a layer that may stand in a chord: as written (Start, End,
// Key) and as sung (Onset, Offset, Cents absolute). Samples of the timeline.
type Held struct {
	Start, End    int64
	Key           int
	Onset, Offset int64
	Cents         float64
}

// ChordOptions of Chords; the zero value is good.
type ChordOptions struct {
	LeastSeconds float64 // that the notes must sound together; 0: 0.15
	System       System  // what each note should be, to tell two apart that blame each other
	// Read is the pitch of a layer's note over a stretch, when it moves within
	// the note; nil, or false: Held.Cents.
	Read func(layer, note int, from, to int64) (cents float64, ok bool)
}

// Member is a layer's note in a chord. Cents is absolute, as sung over the
// chord; OffCents against what the note should be by itself.
type Member struct {
	Layer, Note     int
	Key             int
	Cents, OffCents float64
}

// Interval is between two members of a chord. Cents is as sung, EqualCents and
// JustCents how much wider that is than equal temperament and than Just (5-limit).
// BeatHz is how fast the partials of the two that would fall together in the
// just interval beat.
type Interval struct {
	Low, High             int // members
	Semitones             int
	Just                  Ratio
	Cents                 float64
	EqualCents, JustCents float64
	BeatHz                float64
}

// Error is how far the interval is from the nearer of equal and just: 0 in
// between, for a third may be sung pure or as the guide has it.
func (v Interval) Error() float64 { return errorOf(v.EqualCents, v.JustCents) }

func errorOf(equal, just float64) float64 {
	if equal*just <= 0 {
		return 0
	}
	return min(math.Abs(equal), math.Abs(just))
}

// Chord is two or more notes that sound together from From to To, low to high.
// Sum is the sum of its intervals' errors. Blame is the member that, moved by
// MoveCents, lowers the sum most: by Gain; -1 when none does.
type Chord struct {
	From, To  int64
	Members   []Member
	Intervals []Interval
	Sum       float64
	Blame     int
	MoveCents float64
	Gain      float64
}

const (
	chordSeconds = 0.15 // less is heard as a passing, not as a chord (from practice)
	maxChordNote = 200_000
	maxMembers   = 64
	maxIntervals = 1 << 22 // of all chords
)

// Chords finds what sounds together in the layers and judges it. Each layer's
// notes are in order and apart. A chord lasts while the same written notes do.
// Errors: OverLimit.
func Chords(layers [][]Held, sampleRate int, o ChordOptions) ([]Chord, error) {
	if o.LeastSeconds <= 0 {
		o.LeastSeconds = chordSeconds
	}
	total := 0
	for _, l := range layers {
		total += len(l)
	}
	if total > maxChordNote || len(layers) > maxMembers {
		return nil, fault.New(fault.OverLimit, "%d notes in %d layers are too many to hold against each other", total, len(layers)).
			Mended("mute layers that are not needed")
	}
	least := int64(o.LeastSeconds * float64(sampleRate))
	var out []Chord
	intervals := 0
	at := make([]int, len(layers)) // first note of each that is not over
	edges := edgesOf(layers)
	for k := 0; k+1 < len(edges); k++ {
		from, to := edges[k], edges[k+1]
		if to-from < least {
			continue
		}
		var members []Member
		for i, l := range layers {
			for at[i] < len(l) && l[at[i]].End <= from {
				at[i]++
			}
			if at[i] < len(l) && l[at[i]].Start <= from {
				members = append(members, Member{Layer: i, Note: at[i], Key: l[at[i]].Key})
			}
		}
		if c, ok := chordOf(layers, members, from, to, least, o); ok {
			out = append(out, c)
			intervals += len(c.Intervals)
		}
		if intervals > maxIntervals {
			return nil, fault.New(fault.OverLimit, "there are more than %d intervals between the layers", maxIntervals).Mended("mute layers that are not needed")
		}
	}
	return out, nil
}

func edgesOf(layers [][]Held) []int64 {
	var edges []int64
	for _, l := range layers {
		for _, n := range l {
			edges = append(edges, n.Start, n.End)
		}
	}
	slices.Sort(edges)
	return slices.Compact(edges)
}

// chordOf keeps the members that are sung long enough together.
func chordOf(layers [][]Held, members []Member, from, to, least int64, o ChordOptions) (Chord, bool) {
	for {
		if len(members) < 2 {
			return Chord{}, false
		}
		first, last, worst, shortest := from, to, -1, int64(math.MaxInt64)
		for i, m := range members {
			n := layers[m.Layer][m.Note]
			if d := min(to, n.Offset) - max(from, n.Onset); d < shortest {
				worst, shortest = i, d
			}
			first, last = max(first, n.Onset), min(last, n.Offset)
		}
		if last-first >= least {
			from, to = first, last
			break
		}
		members = slices.Delete(slices.Clone(members), worst, worst+1)
	}
	for i := range members {
		m := &members[i]
		n := layers[m.Layer][m.Note]
		m.Cents = n.Cents
		if o.Read != nil {
			if c, ok := o.Read(m.Layer, m.Note, from, to); ok {
				m.Cents = c
			}
		}
		m.OffCents = m.Cents - o.System.Cents(float64(m.Key), n.Start)
	}
	sort.SliceStable(members, func(i, j int) bool { return members[i].Key < members[j].Key })
	c := Chord{From: from, To: to, Members: members, Blame: -1}
	c.judge()
	return c, true
}

// judge measures every pair and finds the blame.
func (c *Chord) judge() {
	for i := range c.Members {
		for j := i + 1; j < len(c.Members); j++ {
			v := between(c.Members, i, j)
			c.Intervals = append(c.Intervals, v)
			c.Sum += v.Error()
		}
	}
	const same = 1e-6
	for i := range c.Members {
		move, gain := c.bestMove(i)
		nearer := c.Blame >= 0 && math.Abs(gain-c.Gain) <= same && math.Abs(c.Members[i].OffCents) > math.Abs(c.Members[c.Blame].OffCents)
		if gain > c.Gain+same || nearer {
			c.Blame, c.MoveCents, c.Gain = i, move, gain
		}
	}
}

func between(members []Member, i, j int) Interval {
	low, high := members[i], members[j]
	v := Interval{Low: i, High: j, Semitones: high.Key - low.Key}
	v.Just = JustInterval(v.Semitones)
	v.Cents = high.Cents - low.Cents
	v.EqualCents = v.Cents - 100*float64(v.Semitones)
	v.JustCents = v.Cents - v.Just.Cents()
	hz := func(cents float64) float64 { return 440 * math.Exp2((cents-6900)/1200) }
	v.BeatHz = math.Abs(hz(high.Cents)*float64(v.Just.Den) - hz(low.Cents)*float64(v.Just.Num))
	return v
}

// bestMove tries every move that makes one of a member's intervals equal or
// just: the sum is piecewise linear, so its least lies at one of them.
func (c *Chord) bestMove(member int) (move, gain float64) {
	var mine []Interval
	var now float64
	for _, v := range c.Intervals {
		switch member {
		case v.High:
		case v.Low: // seen from the other side
			v.EqualCents, v.JustCents = -v.EqualCents, -v.JustCents
		default:
			continue
		}
		mine = append(mine, v)
		now += v.Error()
	}
	for _, v := range mine {
		for _, by := range [2]float64{-v.EqualCents, -v.JustCents} {
			sum := 0.0
			for _, w := range mine {
				sum += errorOf(w.EqualCents+by, w.JustCents+by)
			}
			if g := now - sum; g > gain+1e-9 || g > gain-1e-9 && math.Abs(by) < math.Abs(move) {
				move, gain = by, g
			}
		}
	}
	return move, gain
}
