package tui

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Bounds of what can be shown. maxFrames is twelve days at 1000 frames a
// second; inside it every product of the window stays far within int64.
const (
	maxFrames     = 1 << 30
	minSampleRate = 8000
	maxSampleRate = 768000
)

// sheet is a Model made ready to draw: sorted, bounded, with what views look
// up. It is never changed once made.
type sheet struct {
	Model
	shots  []shot
	barsAt []int64 // frame nearest to each bar line
	layers []voice
	sung   int // layers that are
}

// shot is frames From to the next shot's From.
type shot struct {
	From, End int64
	Number    int
	Gone      bool // faded out: no picture, no number
	Name      string
}

// voice is a layer with its findings in both orders and its range.
type voice struct {
	Layer        // Notes by start, Findings by sample
	worst []int  // indices of Findings, worst first
	low   int    // lowest and highest key of pitched notes; low > high when none
	high  int    //
	key   string // what tells it from others when a score is read again
}

func newSheet(m Model) (*sheet, error) {
	if err := m.Rate.Validate(); err != nil {
		return nil, fault.New(fault.Malformed, "the score has no usable frame rate").Because(err).
			Mended("set the reference's rate in score.toml")
	}
	if m.Frames < 0 || m.Frames > maxFrames {
		return nil, fault.New(fault.OverLimit, "a reference of %d frames cannot be shown", m.Frames).
			Mended("the screen shows up to %d frames", int64(maxFrames))
	}
	if m.SampleRate == 0 {
		m.SampleRate = 48000
	}
	if m.SampleRate < minSampleRate || m.SampleRate > maxSampleRate {
		return nil, fault.New(fault.OverLimit, "a sample rate of %d Hz cannot be shown", m.SampleRate).
			Mended("use 44100, 48000 or 96000")
	}
	s := &sheet{Model: m}
	s.Cuts = inReference(m.Cuts, m.Frames, func(c Cut) int64 { return c.Frame })
	s.Hits = inReference(m.Hits, m.Frames, func(h Hit) int64 { return h.Frame })
	s.Bars = slices.Clone(m.Bars)
	slices.SortStableFunc(s.Bars, func(a, b Bar) int { return cmp.Compare(a.Sample, b.Sample) })
	s.Bars = slices.DeleteFunc(s.Bars, func(b Bar) bool { return !s.nearPicture(b.Sample) })
	for _, b := range s.Bars {
		s.barsAt = append(s.barsAt, s.nearestFrame(b.Sample))
	}
	s.Chords = slices.Clone(m.Chords)
	slices.SortStableFunc(s.Chords, func(a, b Chord) int { return cmp.Compare(a.From, b.From) })
	s.shots = shotsOf(s.Cuts, s.Frames)
	for _, l := range m.Layers {
		s.layers = append(s.layers, s.newVoice(l))
		if l.Sung {
			s.sung++
		}
	}
	return s, nil
}

// inReference is a sorted copy of what lies on the reference.
func inReference[T any](in []T, frames int64, at func(T) int64) []T {
	out := make([]T, 0, len(in))
	for _, x := range in {
		if f := at(x); f >= 0 && f < frames {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b T) int { return cmp.Compare(at(a), at(b)) })
	return out
}

// nearPicture keeps samples where frame arithmetic is exact.
func (s *sheet) nearPicture(sample int64) bool {
	const limit = int64(maxFrames) * maxSampleRate
	return sample > -limit && sample < limit
}

func (s *sheet) newVoice(l Layer) voice {
	v := voice{Layer: l, low: math.MaxInt, high: math.MinInt, key: l.Group + "\x00" + l.Name}
	v.Notes = make([]Note, 0, len(l.Notes))
	for _, n := range l.Notes {
		if n.End <= n.Start || !s.nearPicture(n.Start) || !s.nearPicture(n.End) {
			continue
		}
		v.Notes = append(v.Notes, n)
		if !n.Unpitched {
			v.low, v.high = min(v.low, int(n.Key)), max(v.high, int(n.Key))
		}
	}
	slices.SortStableFunc(v.Notes, func(a, b Note) int { return cmp.Compare(a.Start, b.Start) })
	// Worst first is decided in the caller's order, before sorting by sample.
	v.Findings = slices.Clone(l.Findings)
	slices.SortStableFunc(v.Findings, func(a, b Finding) int { return cmp.Compare(b.Severity, a.Severity) })
	bySample := make([]int, len(v.Findings))
	for i := range bySample {
		bySample[i] = i
	}
	slices.SortStableFunc(bySample, func(a, b int) int { return cmp.Compare(v.Findings[a].Sample, v.Findings[b].Sample) })
	sorted := make([]Finding, len(bySample))
	v.worst = make([]int, len(bySample))
	for at, rank := range bySample {
		sorted[at], v.worst[rank] = v.Findings[rank], at
	}
	v.Findings = sorted
	return v
}

// shotsOf are the stretches between changes of picture. A dissolve belongs to
// the shot that comes; a fade-out ends its shot where it has fallen.
func shotsOf(cuts []Cut, frames int64) []shot {
	if frames == 0 {
		return nil
	}
	out := []shot{{From: 0}}
	for _, c := range cuts {
		at, gone := c.Frame, false
		if c.Kind == "fade-out" {
			at, gone = max(c.Frame, c.End), true
		}
		last := &out[len(out)-1]
		switch {
		case at >= frames || at < last.From:
		case at == last.From:
			last.Gone, last.Name = gone, c.Name
		default:
			out = append(out, shot{From: at, Gone: gone, Name: c.Name})
		}
	}
	number := 0
	for i := range out {
		out[i].End = frames
		if i+1 < len(out) {
			out[i].End = out[i+1].From
		}
		if !out[i].Gone {
			number++
			out[i].Number = number
		}
	}
	return out
}

// sampleOf is where a frame begins.
func (s *sheet) sampleOf(frame int64) int64 { return s.Rate.SampleOf(frame, s.SampleRate) }

// halfFrame is half a frame in samples. A sample belongs to the frame whose
// beginning is nearest, so that a beat solved onto a frame and rounded one
// sample before it is shown on it.
func (s *sheet) halfFrame() int64 { return (s.sampleOf(1) - s.sampleOf(0)) / 2 }

func (s *sheet) nearestFrame(sample int64) int64 {
	return s.Rate.FrameOf(sample+s.halfFrame(), s.SampleRate)
}

// span is the samples that belong to a frame.
func (s *sheet) span(frame int64) (from, end int64) {
	h := s.halfFrame()
	return s.sampleOf(frame) - h, s.sampleOf(frame+1) - h
}

// lastSample is the reference's end, left out.
func (s *sheet) lastSample() int64 {
	if s.Samples > 0 {
		return s.Samples
	}
	return s.sampleOf(s.Frames)
}

func (s *sheet) timecode(frame int64) string { return s.Rate.Timecode(s.Start + frame) }

// shotAt is the index of the shot that holds a frame of the reference, or -1.
func (s *sheet) shotAt(frame int64) int {
	if frame < 0 || frame >= s.Frames {
		return -1
	}
	return sort.Search(len(s.shots), func(i int) bool { return s.shots[i].From > frame }) - 1
}

// cutFrom and hitFrom are the first cut and hit at or after a frame.
func (s *sheet) cutFrom(frame int64) int {
	return sort.Search(len(s.Cuts), func(i int) bool { return s.Cuts[i].Frame >= frame })
}

func (s *sheet) hitFrom(frame int64) int {
	return sort.Search(len(s.Hits), func(i int) bool { return s.Hits[i].Frame >= frame })
}

// chordAt is the last chord begun that sounds at a sample, nil when none does.
func (s *sheet) chordAt(sample int64) *Chord {
	i := sort.Search(len(s.Chords), func(i int) bool { return s.Chords[i].From > sample }) - 1
	if i < 0 || sample >= s.Chords[i].To {
		return nil
	}
	return &s.Chords[i]
}

// barFrom is the first bar whose line belongs to a frame at or after frame.
func (s *sheet) barFrom(frame int64) int {
	return sort.Search(len(s.barsAt), func(i int) bool { return s.barsAt[i] >= frame })
}

// barAt is the bar that a frame lies in, or -1.
func (s *sheet) barAt(frame int64) int { return s.barFrom(frame+1) - 1 }

// changeAt is the gradual change that a frame lies in, or -1. Only the last
// one begun is asked: changes of one picture do not overlap.
func (s *sheet) changeAt(frame int64) int {
	i := s.cutFrom(frame+1) - 1
	if i >= 0 && frame < s.Cuts[i].End {
		return i
	}
	return -1
}

// noteIn is the last note begun that sounds in samples from to end, or -1.
func (v *voice) noteIn(from, end int64) int {
	i := sort.Search(len(v.Notes), func(i int) bool { return v.Notes[i].Start >= end }) - 1
	if i >= 0 && v.Notes[i].End > from {
		return i
	}
	return -1
}

// findingFrom is the first finding at or after a sample.
func (v *voice) findingFrom(sample int64) int {
	return sort.Search(len(v.Findings), func(i int) bool { return v.Findings[i].Sample >= sample })
}

// keyName is the note name of a MIDI note number: 69 is A4.
func keyName(key int, sharp string) string {
	const letters = "CCDDEFFGGAAB"
	name := letters[key%12 : key%12+1]
	if s := key % 12; s == 1 || s == 3 || s == 6 || s == 8 || s == 10 {
		name += sharp
	}
	return name + itoa(int64(key/12-1))
}

// framesText is a count of frames without needless zeros: "0.25", "3".
func framesText(r timecode.Ratio) string { return trimFloat(math.Abs(r.Float()), 2) }

// searchBars is the first bar at or after a sample.
func searchBars(bars []Bar, sample int64) int {
	return sort.Search(len(bars), func(i int) bool { return bars[i].Sample >= sample })
}

// floorMod is n modulo m, never below 0.
func floorMod(n, m int) int { return ((n % m) + m) % m }
