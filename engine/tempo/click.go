package tempo

import (
	"cuechoir/internal/fault"
)

// Click is one click of the schedule.
type Click struct {
	Sample    int64 // on the timeline: 0 is the start of frame 0; below 0 before the picture
	Bar, Beat int   // Beat from 1
	Accent    bool  // first beat of a bar
	CountIn   bool  // before the bar that the singing starts from
}

// ClickPlan says what is clicked. The zero value clicks from bar 1 to the end
// of the reference, after a count-in of one bar.
type ClickPlan struct {
	FromBar      int  // bar that the count-in leads to; 0 is bar 1
	ToBar        int  // last bar clicked; 0 is the reference's last
	CountInBeats int  // beats before FromBar; 0 is one bar of them
	NoCountIn    bool // start on FromBar itself
	SilentBeats  int  // the last beats of the count-in that are left silent, to breathe in
}

// maxCountIn bounds a count-in.
const maxCountIn = 64

// Clicks is the schedule of p, in order. The count-in is the beats that the
// map has before FromBar, at their own tempo.
func (g *Grid) Clicks(sampleRate int, p ClickPlan) ([]Click, error) {
	if p.CountInBeats < 0 || p.CountInBeats > maxCountIn {
		return nil, fault.New(fault.Usage, "a count-in of %d beats is out of range", p.CountInBeats).Mended("use 1 to %d", maxCountIn)
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
			out = append(out, Click{Sample: b.Sample, Bar: b.Bar, Beat: b.Beat, Accent: b.Beat == 1})
		}
	}
	return out, nil
}

func (g *Grid) countIn(sampleRate, from int, p ClickPlan) ([]Click, error) {
	if p.NoCountIn {
		return nil, nil
	}
	n := p.CountInBeats
	if n == 0 {
		n = g.metreOfBar(from - 1).metre.Beats()
	}
	if p.SilentBeats < 0 || p.SilentBeats >= n {
		return nil, fault.New(fault.Usage, "%d silent beats do not fit a count-in of %d", p.SilentBeats, n).Mended("leave at least one beat to hear")
	}
	var beats []BeatLine // the bars before, latest last
	for bar := from - 1; len(beats) < n; bar-- {
		beats = append(g.appendBeats(nil, bar, sampleRate), beats...)
	}
	beats = beats[len(beats)-n:]
	var out []Click
	for _, b := range beats[:n-p.SilentBeats] {
		out = append(out, Click{Sample: b.Sample, Bar: b.Bar, Beat: b.Beat, Accent: b.Beat == 1, CountIn: true})
	}
	return out, nil
}
