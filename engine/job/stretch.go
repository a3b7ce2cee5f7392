package job

import (
	"fmt"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Stretch is a part of the timeline in samples, To left out. The zero Stretch
// is all of the reference.
type Stretch struct{ From, To int64 }

// All reports the zero Stretch.
func (x Stretch) All() bool { return x == Stretch{} }

// FindStretch reads what a person calls a stretch: bars ("12-13" or "12"), or a
// shot or FROM..TO as FindShot does. Neither is all.
func FindStretch(s *score.Score, fromBar, toBar int, shot string) (Stretch, string, error) {
	switch {
	case fromBar > 0 && shot != "":
		return Stretch{}, "", fault.New(fault.Usage, "bars and a span are two ways to say what is meant").Mended("give one of them")
	case fromBar > 0:
		bars, err := barsOf(s, fromBar, toBar)
		return bars, fmt.Sprintf("bars %d to %d", fromBar, toBar), err
	case shot != "":
		x, err := FindShot(s, shot)
		if err != nil {
			return Stretch{}, "", err
		}
		r := s.Reference.Rate
		return Stretch{r.SampleOf(x.From, s.SampleRate), min(r.SampleOf(x.To, s.SampleRate), s.Length())}, x.Name, nil
	}
	return Stretch{}, "all", nil
}

// barsOf is the stretch from one bar to the end of another.
func barsOf(s *score.Score, from, to int) (Stretch, error) {
	grid, err := Grid(s)
	if err != nil {
		return Stretch{}, err
	}
	bars := grid.Bars(s.SampleRate)
	first, last := bars[0].Number, bars[len(bars)-1].Number
	if from < first || to > last || to < from {
		return Stretch{}, fault.New(fault.Usage, "bars %d to %d are not all in the map, which has bars %d to %d", from, to, first, last)
	}
	x := Stretch{grid.BarSample(from, s.SampleRate), min(grid.BarSample(to+1, s.SampleRate), s.Length())}
	if x.To <= x.From {
		return x, fault.New(fault.Usage, "bar %d begins after the reference's end", from)
	}
	return x, nil
}

// PreRoll is what is heard before a stretch: bars of the map, or seconds. With a
// map it begins on a bar line, the next before.
type PreRoll struct {
	Bars    int
	Seconds timecode.Ratio
}

// Bounds of a pre-roll.
const (
	maxPreRollBars    = 64
	maxPreRollSeconds = 120
)

// check bounds a pre-roll.
func (p PreRoll) check() error {
	if p.Bars < 0 || p.Bars > maxPreRollBars || p.Seconds.Sign() < 0 || p.Seconds.Cmp(timecode.Int(maxPreRollSeconds)) > 0 {
		return fault.New(fault.Usage, "the pre-roll is out of range").Mended("use up to %d bars or %d seconds", maxPreRollBars, maxPreRollSeconds)
	}
	return nil
}

// Run is one way of the transport along the timeline, in samples.
type Run struct {
	Clicks []tempo.Click
	From   int64 // where the sound begins: shortly before the count-in
	Start  int64 // where all but the click begins, when a stretch was chosen
	To     int64 // left out
}

// leadInMilliseconds come before the first click: the sound fades in, and a
// device may wake up slowly.
const leadInMilliseconds = 100

// newRun lays out a run: over all, from shortly before the count-in (or before
// frame 0 when there is no map or count-in) to the reference's end; over a
// stretch, from its count-in and pre-roll to a second behind it.
func newRun(s *score.Score, o ClickOptions, x Stretch, pre PreRoll) (r Run, err error) {
	lead := int64(leadInMilliseconds * s.SampleRate / 1000)
	if x.All() {
		if s.Map != nil {
			if _, r.Clicks, err = clickSchedule(s, o); err != nil {
				return r, err
			}
		}
		r.From, r.To, err = Span(r.Clicks, s.SampleRate, o.Sound, s.Length())
		r.From -= lead
		return r, err
	}
	if err := pre.check(); err != nil {
		return r, err
	}
	r.Start, r.To = x.From, x.To+int64(handleSeconds*s.SampleRate)
	if pre.Seconds.Sign() > 0 {
		r.Start -= timecode.Int(int64(s.SampleRate)).Mul(pre.Seconds).Round()
	}
	if s.Map == nil {
		r.From = r.Start - lead
		return r, nil
	}
	if r.Start, r.Clicks, err = stretchClicks(s, o, r.Start, pre.Bars); err != nil {
		return r, err
	}
	from, err := firstSound(r.Clicks, s.SampleRate, o.Sound, r.Start)
	r.From = from - lead
	return r, err
}

// stretchClicks is the schedule from the bar line so many bars before a sample
// on, and that bar line. Without a pre-roll there is the usual count-in.
func stretchClicks(s *score.Score, o ClickOptions, at int64, bars int) (start int64, clicks []tempo.Click, err error) {
	grid, err := Grid(s)
	if err != nil {
		return 0, nil, err
	}
	lines := grid.Bars(s.SampleRate)
	i := 0
	for i+1 < len(lines) && lines[i+1].Sample <= at {
		i++
	}
	line := lines[max(i-bars, 0)]
	o.Plan.FromBar = line.Number
	if line.Sample < at && o.Plan.CountInBeats == 0 && o.Plan.CountInBars == 0 && o.Plan.Free == 0 {
		o.Plan.NoCountIn = true // the pre-roll leads in
	}
	_, clicks, err = clickSchedule(s, o)
	return min(line.Sample, at), clicks, err
}

// firstSound is the first sample of clicks, or start when that is earlier.
func firstSound(clicks []tempo.Click, sampleRate int, o tempo.ClickOptions, start int64) (int64, error) {
	if len(clicks) == 0 {
		return start, nil
	}
	sounding, err := tempo.NewSounding(clicks, sampleRate, o)
	if err != nil {
		return 0, err
	}
	return min(start, sounding.Start()), nil
}
