package pitch

import (
	"math"
	"slices"
)

// Note is one sung note. Samples count from x[0]. Onset is where the pitched
// sound begins; Attack is where the consonant that leads into it begins, or
// Onset; Murmur is where softer sound on the note's pitch begins before it (a
// voiced consonant, or what a room adds), or Onset. CentreCents is absolute (6900 = A4): the steady part, with scoop,
// release and vibrato taken out; ErrorCents is its standard error.
// ScoopCents is where the note starts against its centre (below: negative).
// VibratoCents is the peak deviation (±), 0 with VibratoHz 0 when there is
// none. Confidence is 0 to 1. LevelDB is the steady part's, dB re full scale.
type Note struct {
	Attack, Onset, Offset   int64
	Murmur                  int64
	CentreCents, ErrorCents float64
	ScoopCents              float64
	VibratoHz, VibratoCents float64
	Confidence, LevelDB     float64
	Legato                  bool // follows on the note before without a gap
}

// SegmentOptions; the zero value is good for singing.
type SegmentOptions struct {
	MinNoteSeconds float64 // shorter notes are part of a neighbour; 0: 0.07
	StepCost       float64 // cent-seconds a change of note must explain; 0: 4.5
}

// Segmentation's constants. StepCost lies above what a vibrato of ±100 cents
// at 5 Hz would save by being cut at each half turn (3.4 cent-seconds) and
// under what notes of 0.1 s a semitone apart do (10).
const (
	defaultMinNote  = 0.07
	defaultStepCost = 4.5
	levelGrid       = 10.0  // cents between levels
	farCents        = 200.0 // a frame's misfit counts no more than this
	bridgeSeconds   = 0.03  // a hole in the voice no longer than this can be noise
	bridgeDB        = 6.0   // unless the level falls by so much
	dipDB           = 7.0   // a dip of level like this parts repeated notes
	wavingDipDB     = 11.0  // but where the pitch waves, a room makes the level wave, too
	wavingCents     = 30.0  // from its lowest to its highest within dipReach on either side
	dipReach        = 0.16  // seconds on either side in which it must rise again
	scoopSeconds    = 0.13  // a way into a note no longer than this is its scoop
	fallCents       = 15.0  // a voice let go moves so far from third to third
	glideSeconds    = 0.25  // a glide between notes, no longer than this
	glideShare      = 0.3   // moves by this share of the interval within its middle thirds
	endDropDB       = 24.0  // a note is over when so far below its steady level
)

// span is a stretch of frames [from, to).
type span struct {
	from, to int
	legato   bool
}

// Segment cuts a tracked sound into notes. x and sampleRate are what frames
// were tracked from. Piecewise-constant pitch by dynamic programming with a
// cost for each change (the penalised changepoint of Killick et al. 2012, with
// an absolute loss), then parted again where the level dips and rises.
func Segment(x []float32, frames []Frame, sampleRate int, o SegmentOptions) []Note {
	if len(frames) < 2 {
		return nil
	}
	if o.MinNoteSeconds <= 0 {
		o.MinNoteSeconds = defaultMinNote
	}
	if o.StepCost <= 0 {
		o.StepCost = defaultStepCost
	}
	s := &segmenter{x: x, frames: frames, sampleRate: sampleRate, o: o,
		hop: float64(frames[1].Sample-frames[0].Sample) / float64(sampleRate)}
	s.read()
	var notes []Note
	for _, run := range s.runs() {
		for _, sp := range s.steps(run) {
			for _, part := range s.dips(sp) {
				if n, ok := s.measure(part); ok {
					n.Legato = part.legato && len(notes) > 0
					notes = append(notes, n)
				}
			}
		}
	}
	s.place(notes)
	return notes
}

type segmenter struct {
	x          []float32
	frames     []Frame
	sampleRate int
	o          SegmentOptions
	hop        float64   // seconds
	cents      []float64 // absolute, only where voiced
	voiced     []bool
	floor      float64 // dB
	env        *envelope
}

func (s *segmenter) read() {
	s.cents = make([]float64, len(s.frames))
	s.voiced = make([]bool, len(s.frames))
	for i, f := range s.frames {
		s.voiced[i] = f.Voiced && f.Hz > 0
		if s.voiced[i] {
			s.cents[i] = Cents(f.Hz)
		}
	}
	s.floor, _ = levelRange(s.frames)
	s.bridge()
}

func (s *segmenter) count(seconds float64) int { return int(math.Round(seconds / s.hop)) }

// bridge fills short holes in the voice that the level does not show.
func (s *segmenter) bridge() {
	longest := s.count(bridgeSeconds)
	for i := 1; i < len(s.voiced); i++ {
		if s.voiced[i] || !s.voiced[i-1] {
			continue
		}
		j := i
		low := math.Inf(1)
		for j < len(s.voiced) && !s.voiced[j] {
			low = min(low, s.frames[j].LevelDB)
			j++
		}
		if j == len(s.voiced) {
			return
		}
		edge := min(s.frames[i-1].LevelDB, s.frames[j].LevelDB)
		if j-i <= longest && low > edge-bridgeDB {
			for k := i; k < j; k++ {
				s.voiced[k] = true
				s.cents[k] = s.cents[i-1] + (s.cents[j]-s.cents[i-1])*float64(k-i+1)/float64(j-i+1)
			}
		}
		i = j
	}
}

// runs are the stretches of voice long enough to hold a note.
func (s *segmenter) runs() []span {
	var out []span
	for i := 0; i < len(s.voiced); i++ {
		if !s.voiced[i] {
			continue
		}
		j := i
		for j < len(s.voiced) && s.voiced[j] {
			j++
		}
		if float64(j-i)*s.hop >= s.o.MinNoteSeconds*0.7 {
			out = append(out, span{from: i, to: j})
		}
		i = j
	}
	return out
}

// steps parts a run where its pitch changes to stay.
func (s *segmenter) steps(run span) []span {
	c := s.cents[run.from:run.to]
	lo, hi := slices.Min(c), slices.Max(c)
	levels := int((hi-lo)/levelGrid) + 2
	cost := make([]float64, levels)
	back := make([][]bool, len(c)) // true: came from another level
	best := make([]int, len(c))    // the cheapest level at each frame
	for i, v := range c {
		back[i] = make([]bool, levels)
		enter := math.Inf(1)
		if i > 0 {
			enter = cost[best[i-1]] + s.o.StepCost
		}
		for l := range cost {
			if i > 0 && enter < cost[l] {
				cost[l], back[i][l] = enter, true
			}
			cost[l] += s.hop * min(farCents, math.Abs(v-lo-float64(l)*levelGrid))
		}
		for l := range cost {
			if cost[l] < cost[best[i]] {
				best[i] = l
			}
		}
	}
	var cuts []int
	l := best[len(c)-1]
	for i := len(c) - 1; i > 0; i-- {
		if back[i][l] {
			cuts = append(cuts, i)
			l = best[i-1]
		}
	}
	slices.Reverse(cuts)
	return s.joinShort(run, cuts)
}

// joinShort gives spans too short for a note, and ways into a note, to their
// neighbours: a short first span or a stair that leads on is the scoop of what
// follows; a short last one, or one that leads away, is the release of what came before.
func (s *segmenter) joinShort(run span, cuts []int) []span {
	var out []span
	from := run.from
	edges := append(slices.Clone(cuts), run.to-run.from)
	for _, e := range edges {
		out = append(out, span{from: from, to: run.from + e, legato: from > run.from})
		from = run.from + e
	}
	for k := 0; k < len(out) && len(out) > 1; {
		length := float64(out[k].to-out[k].from) * s.hop
		switch {
		case length < s.o.MinNoteSeconds && k+1 < len(out), s.isScoop(out, k):
			out[k+1].from, out[k+1].legato = out[k].from, out[k].legato
			if k > 0 { // a stair between two notes: halve it
				mid := s.crossing(out[k], out[k-1], out[k+1])
				out[k-1].to, out[k+1].from = mid, mid
			}
			out = slices.Delete(out, k, k+1)
		case length < s.o.MinNoteSeconds, s.isFall(out, k):
			out[k-1].to = out[k].to
			out = slices.Delete(out, k, k+1)
		default:
			k++
		}
	}
	return out
}

// isScoop: the span is short, rises or falls toward the next one, and is never
// steady. Between two notes it may last longer: a glide.
func (s *segmenter) isScoop(out []span, k int) bool {
	if k+1 >= len(out) {
		return false
	}
	sp := out[k]
	length := float64(sp.to-sp.from) * s.hop
	c := s.cents[sp.from:sp.to]
	third := max(1, len(c)/3)
	first, last := median(c[:third]), median(c[len(c)-third:])
	next := median(s.cents[out[k+1].from:out[k+1].to])
	toward := math.Abs(last-first) > 40 && math.Abs(next-last) < math.Abs(next-first)
	if length <= scoopSeconds || k == 0 {
		return toward && length <= scoopSeconds
	}
	before := median(s.cents[out[k-1].from:out[k-1].to])
	return toward && length <= glideSeconds && math.Abs(last-first) > glideShare*math.Abs(next-before)
}

// isFall: a last span that is short and leads on away from what came before,
// in each of its thirds: a voice let go, and no note.
func (s *segmenter) isFall(out []span, k int) bool {
	if k == 0 || k+1 < len(out) {
		return false
	}
	c := s.cents[out[k].from:out[k].to]
	third := max(1, len(c)/3)
	if len(c) < 3 || float64(len(c))*s.hop > scoopSeconds {
		return false
	}
	before := median(s.cents[out[k-1].from:out[k-1].to])
	first, middle, last := median(c[:third])-before, median(c[third:len(c)-third])-before, median(c[len(c)-third:])-before
	if first < 0 {
		first, middle, last = -first, -middle, -last
	}
	return middle-first > fallCents && last-middle > fallCents
}

// crossing is the frame of a stair at which the pitch is nearer to what
// follows than to what came before.
func (s *segmenter) crossing(stair, before, after span) int {
	a, b := median(s.cents[before.from:before.to]), median(s.cents[max(after.from, stair.to):after.to])
	for i := stair.from; i < stair.to; i++ {
		if math.Abs(s.cents[i]-b) < math.Abs(s.cents[i]-a) {
			return i
		}
	}
	return stair.to
}

// dips parts a span where its level falls and rises again, as between two
// notes on one pitch.
func (s *segmenter) dips(sp span) []span {
	reach := s.count(dipReach)
	least := max(2, s.count(s.o.MinNoteSeconds*0.7))
	for i := sp.from + least; i < sp.to-least; i++ {
		v := s.frames[i].LevelDB
		if v > s.frames[i-1].LevelDB || v > s.frames[i+1].LevelDB {
			continue
		}
		from, to := max(sp.from, i-reach), min(sp.to, i+reach)
		if need := s.dipNeed(from, i, to); s.loudest(from, i)-v < need || s.loudest(i, to)-v < need {
			continue
		}
		if v > s.lowest(max(sp.from, i-reach/2), min(sp.to, i+reach/2)) {
			continue
		}
		first := span{from: sp.from, to: i, legato: sp.legato}
		return append([]span{first}, s.dips(span{from: i, to: sp.to})...)
	}
	return []span{sp}
}

// dipNeed is how deep a dip at a frame must be, dB: more where the pitch waves
// on either side of it. A scoop is on one side alone.
func (s *segmenter) dipNeed(from, at, to int) float64 {
	for _, c := range [][]float64{s.cents[from:at], s.cents[at:to]} {
		if len(c) == 0 || slices.Max(c)-slices.Min(c) < wavingCents {
			return dipDB
		}
	}
	return wavingDipDB
}

func (s *segmenter) loudest(from, to int) float64 {
	v := MinLevelDB
	for _, f := range s.frames[from:to] {
		v = max(v, f.LevelDB)
	}
	return v
}

func (s *segmenter) lowest(from, to int) float64 {
	v := math.Inf(1)
	for _, f := range s.frames[from:to] {
		v = min(v, f.LevelDB)
	}
	return v
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	w := slices.Clone(v)
	slices.Sort(w)
	n := len(w)
	return (w[(n-1)/2] + w[n/2]) / 2
}
