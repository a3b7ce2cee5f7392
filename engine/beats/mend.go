package beats

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Aim: the beats that a person meant when they tapped along.
// Method: a tap far too soon after another is a bounce and is dropped; each
// interval is counted in beats against the intervals around, so that missed
// beats are filled in; a constant lateness is found where the taps, moved,
// meet the most onset strength; a line through the taps around each takes the
// jitter away (local regression: Cleveland, «Robust locally weighted
// regression», J. Am. Stat. Assoc. 74, 1979); where something plainly begins
// nearby, the beat is pulled to it, by Viterbi, so that neighbours agree.
// Cost: linear in the taps.
// Known failure: taps on the half-beats stay there; a lateness of over 0.4 of
// a beat is taken for the next beat's.

const (
	fastest      = 0.12 // seconds: no one taps faster for long
	maxTaps      = 20_000
	maxTapHours  = 6
	leastTaps    = 4
	bounceShare  = 0.4   // of the interval around: sooner is a bounce
	mostMissed   = 3     // beats in a row that are filled in
	lineReach    = 5     // beats each way that the line goes through
	earliest     = -0.12 // seconds: the range of lateness that is looked at
	latest       = 0.30
	pullSeconds  = 0.06 // how far a beat is pulled
	strongOnset  = 1.0  // usual deviations: what is strong enough to pull
	pullJitter   = 0.02 // seconds: what a smoothed tap is usually off
	pullInterval = 0.02 // and an interval
)

// NoteKind says what was done to a tap or a beat.
type NoteKind string

// The kinds of notes.
const (
	Late     NoteKind = "late"     // all taps were moved by a constant
	Dropped  NoteKind = "dropped"  // a tap was a bounce
	Filled   NoteKind = "filled"   // a missed beat was put in
	Pulled   NoteKind = "pulled"   // a beat was moved to what begins there in the sound
	Smoothed NoteKind = "smoothed" // a beat was moved to the line of its neighbours
	Pause    NoteKind = "pause"    // the taps stop for more beats than are filled in
)

// Note tells one change.
type Note struct {
	Kind   NoteKind
	Sample int64   // where the beat or tap stood
	Moved  float64 // seconds it was moved by, later is above 0
	Words  string
}

// MendOptions say how taps are mended. The zero value is fit for most.
type MendOptions struct {
	Metre       int   // beats a bar for the bar guess; 0: as the reference was heard, else 4
	KeepLate    bool  // do not look for a constant lateness
	LateSamples int64 // taps are late by this, on top of what is found
}

// Mended is what came of taps.
type Mended struct {
	Beats       []Beat
	Notes       []Note
	LateSamples int64 // what was taken off all taps
}

// Mend makes beats of taps, given in samples at sampleRate in any order. heard
// is what Track made of the reference's sound, or nil without one; then the
// taps are smoothed alone. Errors: Usage for fewer than 4 taps after bounces
// are dropped, taps outside ±6 hours, over 20000 taps, or another sample rate
// than the sound's.
func Mend(taps []int64, heard *Result, sampleRate int, o MendOptions) (Mended, error) {
	if err := checkTaps(taps, heard, sampleRate, o); err != nil {
		return Mended{}, err
	}
	m := mender{rate: float64(sampleRate), o: o}
	if heard != nil && len(heard.onsets.all) > 0 {
		m.onsets = &heard.onsets
	}
	sorted := slices.Clone(taps)
	slices.Sort(sorted)
	m.dropBounces(sorted)
	if len(m.taps) < leastTaps {
		return Mended{}, fault.New(fault.Usage, "%d taps are too few to tell a beat from", len(m.taps)).Mended("tap at least %d", leastTaps)
	}
	m.count()
	m.smooth()
	m.settleLateness()
	m.pull()
	return m.result(heard), nil
}

func checkTaps(taps []int64, heard *Result, sampleRate int, o MendOptions) error {
	switch {
	case sampleRate < minRate || sampleRate > maxRate:
		return fault.New(fault.Usage, "a sample rate of %d Hz is outside %d to %d", sampleRate, minRate, maxRate)
	case heard != nil && heard.SampleRate != sampleRate:
		return fault.New(fault.Usage, "the taps are at %d Hz, the sound at %d", sampleRate, heard.SampleRate)
	case len(taps) > maxTaps:
		return fault.New(fault.Usage, "%d taps are more than the %d that are mended", len(taps), maxTaps)
	case o.Metre < 0 || o.Metre > maxMetre:
		return fault.New(fault.Usage, "a bar of %d beats is outside 1 to %d", o.Metre, maxMetre)
	}
	far := int64(maxTapHours * 3600 * sampleRate)
	if o.LateSamples < -far || o.LateSamples > far {
		return fault.New(fault.Usage, "a lateness of %d samples is out of range", o.LateSamples)
	}
	for _, t := range taps {
		if t < -far || t > far {
			return fault.New(fault.Usage, "a tap at sample %d is more than %d hours off", t, maxTapHours)
		}
	}
	return nil
}

// mender works in seconds from sample 0.
type mender struct {
	rate   float64
	o      MendOptions
	onsets *strength // nil without a sound
	taps   []float64
	beats  []tapped
	late   float64
	notes  []Note
}

// tapped is a beat on its way from a tap.
type tapped struct {
	at      float64 // where it was tapped, or filled in
	line    float64 // where the line through its neighbours has it
	end     float64 // where it comes to stand
	number  int     // of the beat
	passage int     // counts up where the taps paused
	filled  bool
	pulled  bool
}

func (m *mender) sample(s float64) int64 { return int64(math.Round(s * m.rate)) }

func (m *mender) note(kind NoteKind, at, moved float64, format string, args ...any) {
	m.notes = append(m.notes, Note{kind, m.sample(at), moved, fmt.Sprintf(format, args...)})
}

// dropBounces keeps the first of taps that come far too soon.
func (m *mender) dropBounces(taps []int64) {
	var gaps []float64
	for i := 1; i < len(taps); i++ {
		if g := float64(taps[i]-taps[i-1]) / m.rate; g > fastest {
			gaps = append(gaps, g)
		}
	}
	last := math.Inf(-1)
	for i, t := range taps {
		s := float64(t) / m.rate
		usual := dsp.Median(around(gaps, i, 8))
		if gap := s - last; gap < max(bounceShare*usual, fastest) {
			m.note(Dropped, s, 0, "a tap %.0f ms after another was dropped", 1000*gap)
			continue
		}
		m.taps = append(m.taps, s)
		last = s
	}
}

// around is the part of x within reach of index i.
func around(x []float64, i, reach int) []float64 {
	a, b := max(0, min(len(x), i-reach)), min(len(x), i+reach)
	return x[a:max(a, b)]
}

// count numbers the taps by beats and fills in what was missed.
func (m *mender) count() {
	gaps := make([]float64, len(m.taps)-1)
	for i := range gaps {
		gaps[i] = m.taps[i+1] - m.taps[i]
	}
	counts := beatsOf(gaps)
	m.beats = append(m.beats, tapped{at: m.taps[0]})
	for i, g := range gaps {
		last := m.beats[len(m.beats)-1]
		next := tapped{at: m.taps[i+1], number: last.number + 1, passage: last.passage}
		n := counts[i]
		if n > mostMissed+1 {
			m.note(Pause, last.at, 0, "no taps for %.1f seconds: nothing was filled in", g)
			next.passage++
			n = 1
		}
		for k := 1; k < n; k++ {
			s := last.at + g*float64(k)/float64(n)
			m.note(Filled, s, 0, "a missed beat was filled in")
			m.beats = append(m.beats, tapped{at: s, number: next.number, passage: next.passage, filled: true})
			next.number++
		}
		m.beats = append(m.beats, next)
	}
}

// beatsOf is how many beats each gap lasts, against the gaps around; and again
// with those gaps parted into the beats found.
func beatsOf(gaps []float64) []int {
	counts := make([]int, len(gaps))
	parts := slices.Clone(gaps)
	for range 3 {
		for i, g := range gaps {
			near := slices.Concat(around(parts[:i], i, 5), around(parts[i+1:], 0, 5))
			counts[i] = max(1, int(math.Round(g/dsp.Median(near))))
		}
		for i, g := range gaps {
			parts[i] = g / float64(counts[i])
		}
	}
	return counts
}

// result tells what moved and marks the bars.
func (m *mender) result(heard *Result) Mended {
	out := Mended{LateSamples: m.sample(m.late)}
	frames := make([]int, len(m.beats))
	for i, b := range m.beats {
		k := Beat{Sample: m.sample(b.end)}
		if m.onsets != nil {
			frames[i] = max(0, min(len(m.onsets.all)-1, int(math.Round(b.end*m.onsets.rate))))
			k.Strength = nearby(m.onsets.all, frames[i])
		}
		out.Beats = append(out.Beats, k)
		moved := b.end - (b.at - m.late)
		switch {
		case b.filled || math.Abs(moved) < 0.001:
		case b.pulled:
			m.note(Pulled, b.at, moved, "moved by %+.0f ms to what begins in the sound", 1000*moved)
		default:
			m.note(Smoothed, b.at, moved, "moved by %+.0f ms to the line of its neighbours", 1000*moved)
		}
	}
	m.markBars(out.Beats, frames, heard)
	sort.SliceStable(m.notes, func(i, j int) bool { return m.notes[i].Sample < m.notes[j].Sample })
	out.Notes = m.notes
	return out
}

// markBars guesses the bars from the sound; without one the first tap of a
// passage begins a bar.
func (m *mender) markBars(beats []Beat, frames []int, heard *Result) {
	metre := m.o.Metre
	if metre == 0 && heard != nil {
		metre = heard.Metre
	}
	if metre == 0 {
		metre = DefaultMetre
	}
	if m.onsets != nil {
		for i, first := range guessBars(accents(heard.chroma, *m.onsets, frames), []int{metre}).first {
			beats[i].Downbeat = first
		}
		return
	}
	start := 0
	for i := range beats {
		if i > 0 && m.beats[i].passage != m.beats[i-1].passage {
			start = m.beats[i].number
		}
		beats[i].Downbeat = (m.beats[i].number-start)%metre == 0
	}
}

// Override puts tapped beats in the place of the tracked ones in their span:
// what was tracked stays before and after, from half a tapped beat away on.
// Both are in order.
func Override(tracked, tapped []Beat) []Beat {
	if len(tapped) < 2 {
		return tracked
	}
	last := len(tapped) - 1
	from := tapped[0].Sample - (tapped[1].Sample-tapped[0].Sample)/2
	to := tapped[last].Sample + (tapped[last].Sample-tapped[last-1].Sample)/2
	var out, after []Beat
	for _, b := range tracked {
		switch {
		case b.Sample < from:
			out = append(out, b)
		case b.Sample > to:
			after = append(after, b)
		}
	}
	return append(append(out, tapped...), after...)
}
