package tempo

import (
	"math/big"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Click is one click of the schedule.
type Click struct {
	Sample    int64 // on the timeline: 0 is the start of frame 0; below 0 before the picture
	Bar, Beat int   // Beat from 1; a free click has the bar it leads to, and its own number as the beat
	Part      int   // 0 on the beat, 1 and up after it when beats are subdivided
	Accent    bool  // first beat of a bar
	CountIn   bool  // before the bar that the singing starts from
	Free      bool  // a click of its own time, in the place of a count-in
}

// Subdivision is how many clicks a beat has.
type Subdivision int

const (
	Whole   Subdivision = 0  // one
	Halves  Subdivision = 2  // eighths in 4/4
	Thirds  Subdivision = 3  // triplets in 4/4, eighths in 6/8
	ByMetre Subdivision = -1 // three in compound metres, two in the others
)

// of is how many clicks a beat of a metre has.
func (s Subdivision) of(m Metre) int64 {
	switch {
	case s == Halves, s == ByMetre && !m.Compound():
		return 2
	case s == Thirds, s == ByMetre:
		return 3
	}
	return 1
}

// ClickPlan says what is clicked. The zero value clicks from bar 1 to the end
// of the reference, after a count-in of one bar.
type ClickPlan struct {
	FromBar      int  // bar that the count-in leads to; 0 is bar 1
	ToBar        int  // last bar clicked; 0 is the reference's last
	CountInBeats int  // beats before FromBar; 0 is one bar of them
	CountInBars  int  // or so many bars before FromBar, not both
	NoCountIn    bool // start on FromBar itself
	SilentBeats  int  // the last beats of the count-in that are left silent, to breathe in

	Subdivide Subdivision
	// Free clicks stand in the place of the count-in: so many, evenly, the
	// next of which would be FromBar's first beat.
	Free       int
	FreeFrames timecode.Ratio // frames from one to the next; 0 is the length of FromBar's first beat
}

// Bounds of a plan.
const (
	maxCountIn     = 64
	maxCountInBars = 16
	maxFreeFrames  = 1000
)

// validate checks all that needs no map.
func (p ClickPlan) validate() error {
	bad := func(what string, args ...any) *fault.Error { return fault.New(fault.Usage, what, args...) }
	switch {
	case p.CountInBeats < 0 || p.CountInBeats > maxCountIn:
		return bad("a count-in of %d beats is out of range", p.CountInBeats).Mended("use 1 to %d", maxCountIn)
	case p.CountInBars < 0 || p.CountInBars > maxCountInBars:
		return bad("a count-in of %d bars is out of range", p.CountInBars).Mended("use 1 to %d", maxCountInBars)
	case p.Free < 0 || p.Free > maxCountIn:
		return bad("%d free clicks are out of range", p.Free).Mended("use 1 to %d", maxCountIn)
	case btoi(p.CountInBeats > 0)+btoi(p.CountInBars > 0)+btoi(p.Free > 0)+btoi(p.NoCountIn) > 1:
		return bad("beats, bars, free clicks and none are different count-ins").Mended("choose one")
	case p.FreeFrames != (timecode.Ratio{}) && p.Free == 0:
		return bad("a length of free clicks was given, and no number of them")
	case p.FreeFrames != (timecode.Ratio{}) && (!termsFit(p.FreeFrames, maxFreeFrames) || p.FreeFrames.Cmp(timecode.Int(1)) < 0):
		return bad("free clicks of %s frames are out of range", p.FreeFrames).Mended("use 1 to %d frames", maxFreeFrames)
	}
	switch p.Subdivide {
	case Whole, Halves, Thirds, ByMetre:
		return nil
	}
	return bad("a beat is not divided in %d", p.Subdivide).Mended("divide it in 2 or 3")
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Clicks is the schedule of p, in order. The count-in is the beats that the
// map has before FromBar, at their own tempo. A held beat is not subdivided.
func (g *Grid) Clicks(sampleRate int, p ClickPlan) ([]Click, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	from, to := p.FromBar, p.ToBar
	if from == 0 {
		from = 1
	}
	if to == 0 {
		to = g.last
	}
	if from < g.first || from > g.last || to < from || to > g.last {
		return nil, fault.New(fault.Usage, "bars %d to %d are not all in the map, which has bars %d to %d", from, to, g.first, g.last)
	}
	out, err := g.countIn(sampleRate, from, p)
	if err != nil {
		return nil, err
	}
	var beats []BeatLine
	for bar := from; bar <= to; bar++ {
		beats = g.appendBeats(beats[:0], bar, sampleRate)
		for _, b := range beats {
			out = g.appendClicks(out, b, sampleRate, p.Subdivide, false)
		}
	}
	return out, nil
}

// BarSample is the sample at which a bar begins; bars outside the reference
// have one too.
func (g *Grid) BarSample(bar, sampleRate int) int64 {
	return g.sampleOf(g.barQuarter(bar), sampleRate)
}

// appendClicks adds a beat's click and those of its parts.
func (g *Grid) appendClicks(out []Click, b BeatLine, sampleRate int, s Subdivision, countIn bool) []Click {
	out = append(out, Click{Sample: b.Sample, Bar: b.Bar, Beat: b.Beat, Accent: b.Beat == 1, CountIn: countIn})
	metre := g.metreOfBar(b.Bar).metre
	parts := s.of(metre)
	if b.Hold.Sign() > 0 {
		return out
	}
	for k := int64(1); k < parts; k++ {
		q := metre.BeatQuarters().Rat()
		q.Mul(q, big.NewRat(k, parts))
		q.Add(q, b.Quarter.Rat())
		out = append(out, Click{Sample: g.sampleOf(q, sampleRate), Bar: b.Bar, Beat: b.Beat, Part: int(k), CountIn: countIn})
	}
	return out
}

func (g *Grid) countIn(sampleRate, from int, p ClickPlan) ([]Click, error) {
	if p.NoCountIn {
		return nil, nil
	}
	n, bars := max(p.CountInBeats, p.Free), p.CountInBars
	if n == 0 {
		bars = max(bars, 1)
	}
	for bar := from - bars; bar < from; bar++ {
		n += g.metreOfBar(bar).metre.Beats()
	}
	if p.SilentBeats < 0 || p.SilentBeats >= n {
		return nil, fault.New(fault.Usage, "%d silent beats do not fit a count-in of %d", p.SilentBeats, n).Mended("leave at least one beat to hear")
	}
	if p.Free > 0 {
		return g.freeClicks(sampleRate, from, p), nil
	}
	var beats []BeatLine // the bars before, latest last
	for bar := from - 1; len(beats) < n; bar-- {
		beats = append(g.appendBeats(nil, bar, sampleRate), beats...)
	}
	beats = beats[len(beats)-n:]
	var out []Click
	for _, b := range beats[:n-p.SilentBeats] {
		out = g.appendClicks(out, b, sampleRate, p.Subdivide, true)
	}
	return out, nil
}

// freeClicks are even: frames are counted back from the bar line, exactly, and
// rounded once.
func (g *Grid) freeClicks(sampleRate, from int, p ClickPlan) []Click {
	q := g.barQuarter(from)
	start := g.frameOf(q)
	step := p.FreeFrames.Rat()
	if step.Sign() == 0 {
		q.Add(q, g.metreOfBar(from).metre.BeatQuarters().Rat())
		step.Sub(g.frameOf(q), start)
	}
	samples := big.NewRat(int64(sampleRate)*g.rate.Den, g.rate.Num)
	var out []Click
	for k := range p.Free - p.SilentBeats {
		x := new(big.Rat).SetInt64(int64(p.Free - k))
		x.Sub(start, x.Mul(x, step))
		out = append(out, Click{Sample: roundHeld(x.Mul(x, samples)), Bar: from, Beat: k + 1, CountIn: true, Free: true})
	}
	return out
}
