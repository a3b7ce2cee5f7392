package main

import (
	"fmt"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
)

// landingRow, sectionRow, barRow and mapRow are what --json prints.
type landingRow struct {
	Frame        int64          `json:"frame"`
	Name         string         `json:"name,omitempty"`
	Weight       string         `json:"weight"`
	Place        string         `json:"place"`
	Bar          int            `json:"bar"`
	Beat         int            `json:"beat"`
	Half         bool           `json:"half,omitempty"` // half-way after that beat
	ErrorFrames  timecode.Ratio `json:"error_frames"`   // exact; above 0: the beat comes late
	ErrorSamples int64          `json:"error_samples"`
	Caught       bool           `json:"caught"`
	InSync       bool           `json:"in_sync"` // 40 ms early to 60 ms late (EBU R 37, from memory)
	WouldCost    string         `json:"would_cost,omitempty"`
}

// sectionRow is a stretch of one tempo or one glide.
type sectionRow struct {
	Place               string          `json:"place"` // bar.beat on which it begins
	Frame               timecode.Ratio  `json:"frame"`
	Bars                int             `json:"bars"`
	Quarters            timecode.Ratio  `json:"quarters"`
	Metre               string          `json:"metre"`
	FramesPerQuarter    timecode.Ratio  `json:"frames_per_quarter"`
	EndFramesPerQuarter *timecode.Ratio `json:"end_frames_per_quarter,omitempty"` // of a glide
	BPM                 float64         `json:"bpm"`
	EndBPM              float64         `json:"end_bpm"`
	HoldFrames          *timecode.Ratio `json:"hold_frames,omitempty"` // its last beat is held
	Silent              bool            `json:"silent,omitempty"`
}

// barRow is a bar line: where it lies on the picture and in samples from
// frame 0.
type barRow struct {
	Number  int            `json:"number"`
	Frame   timecode.Ratio `json:"frame"` // exact
	Sample  int64          `json:"sample"`
	Quarter timecode.Ratio `json:"quarter"` // from bar 1 beat 1
	Metre   string         `json:"metre"`
	BPM     float64        `json:"bpm"`
	Silent  bool           `json:"silent,omitempty"`
}

type pinRow struct {
	Bar   int   `json:"bar"`
	Beat  int   `json:"beat"`
	Frame int64 `json:"frame"`
}

type mapRow struct {
	Style    string         `json:"style"`
	Start    timecode.Ratio `json:"start_frame"`
	Stored   bool           `json:"stored"`
	Words    string         `json:"words,omitempty"`
	Trade    string         `json:"trade,omitempty"` // against the first
	Pins     []pinRow       `json:"pins"`
	Sections []sectionRow   `json:"sections"`
	Bars     []barRow       `json:"bars"`
	Hits     []landingRow   `json:"hits"`
}

func mapRowOf(s *score.Score, m tempo.Map, landings []tempo.Landing) (mapRow, error) {
	r := mapRow{Style: string(m.Style), Start: m.Start, Pins: []pinRow{}, Sections: []sectionRow{}, Bars: []barRow{}, Hits: []landingRow{}}
	grid, err := tempo.NewGrid(m, s.Reference.Rate, s.Reference.Frames)
	if err != nil {
		return r, err
	}
	for _, p := range m.Pins {
		r.Pins = append(r.Pins, pinRow(p))
	}
	for _, b := range grid.Bars(s.SampleRate) {
		r.Bars = append(r.Bars, barRow{b.Number, b.Frame, b.Sample, b.Quarter, b.Metre.String(), b.BPM, b.Silent})
	}
	at := timecode.Int(0)
	for _, x := range m.Sections {
		r.Sections = append(r.Sections, sectionRowOf(s, grid, at, x))
		at = at.Add(x.Quarters())
	}
	for _, l := range landings {
		h := s.Hits[l.Hit]
		r.Hits = append(r.Hits, landingRow{h.Frame, h.Name, weight(h.Must), l.Place.String(), l.Place.Bar, l.Place.Beat, l.Place.Half,
			l.ErrorFrames, grid.ErrorSamples(l, h, s.SampleRate), l.Caught, l.InSync, l.WouldCost})
	}
	return r, nil
}

func sectionRowOf(s *score.Score, grid *tempo.Grid, at timecode.Ratio, x tempo.Section) sectionRow {
	bar, beat := grid.BarBeat(at)
	end := x.EndPeriod()
	r := sectionRow{Place: fmt.Sprintf("%d.%s", bar, beat), Frame: grid.FrameAt(at), Bars: x.Bars, Quarters: x.Quarters(), Metre: x.Metre.String(),
		FramesPerQuarter: x.FramesPerQuarter, BPM: x.BPM(s.Reference.Rate), Silent: x.Silent}
	r.EndBPM = tempo.BPM(end, s.Reference.Rate) / x.Metre.BeatQuarters().Float()
	if x.Glides() {
		r.EndFramesPerQuarter = &end
	}
	if x.Hold.Sign() > 0 {
		r.HoldFrames = &x.Hold
	}
	return r
}

func (a *app) printAnswers(s *score.Score, res job.MapResult) error {
	rows := []mapRow{}
	for i, x := range res.Answers {
		r, err := mapRowOf(s, x.Map, x.Landings)
		if err != nil {
			return err
		}
		r.Words, r.Trade, r.Stored = x.Words, x.Trade, i == res.Stored
		rows = append(rows, r)
	}
	if done, err := a.printJSON(rows); done {
		return err
	}
	for i, r := range rows {
		mark := " "
		if r.Stored {
			mark = "*"
		}
		a.say("%s %d. %s", mark, i+1, r.Words)
		if r.Trade != "" {
			a.say("     %s", r.Trade)
		}
	}
	show := max(res.Stored, 0)
	if res.Stored >= 0 {
		a.say("\nStored is number %d (another: --choose N).", res.Stored+1)
	}
	return a.mapTables(rows[show])
}

func (a *app) showMap() error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	return a.printMap(s)
}

// printMap prints the stored map.
func (a *app) printMap(s *score.Score) error {
	landings, err := job.Landings(s)
	if err != nil {
		return err
	}
	r, err := mapRowOf(s, *s.Map, landings)
	if err != nil {
		return err
	}
	r.Stored = true
	if done, err := a.printJSON(r); done {
		return err
	}
	return a.mapTables(r)
}

func (a *app) mapTables(r mapRow) error {
	t := report.Table{Head: []string{"from", "bars", "metre", "BPM", "frames a quarter", ""}, Right: []bool{true, true, false, true, true}}
	for _, x := range r.Sections {
		bpm, per, notes := fmt.Sprintf("%.2f", x.BPM), x.FramesPerQuarter.String(), []string{}
		if x.EndFramesPerQuarter != nil {
			bpm, per = fmt.Sprintf("%s to %.2f", bpm, x.EndBPM), per+" to "+x.EndFramesPerQuarter.String()
		}
		if x.HoldFrames != nil {
			notes = append(notes, fmt.Sprintf("last beat held %s frames", frameWords(*x.HoldFrames)))
		}
		if x.Silent {
			notes = append(notes, "silent")
		}
		t.Rows = append(t.Rows, []string{x.Place, fmt.Sprint(x.Bars), x.Metre, bpm, per, strings.Join(notes, ", ")})
	}
	a.say("\nBar 1 begins at frame %s.", frameWords(r.Start))
	if err := a.table(t); err != nil {
		return err
	}
	if len(r.Pins) > 0 {
		var pins []string
		for _, p := range r.Pins {
			pins = append(pins, tempo.Pin(p).String())
		}
		a.say("Pinned: %s.", strings.Join(pins, ", "))
	}
	if len(r.Hits) == 0 {
		return nil
	}
	a.say("")
	h := report.Table{Head: []string{"hit", "frame", "weight", "bar.beat", "error in frames", "", "if missed, catching it takes"}, Right: []bool{false, true, false, true, true}}
	for _, l := range r.Hits {
		caught := "caught"
		switch {
		case l.Caught:
		case l.InSync:
			caught = "missed, in sync"
		default:
			caught = "missed"
		}
		h.Rows = append(h.Rows, []string{l.Name, fmt.Sprint(l.Frame), l.Weight, l.Place, errorWords(l.ErrorFrames), caught, l.WouldCost})
	}
	return a.table(h)
}

// frameWords is a rational frame, short.
func frameWords(r timecode.Ratio) string {
	if r.Den <= 1 {
		return r.String()
	}
	return strings.TrimRight(fmt.Sprintf("%.3f", r.Float()), "0")
}

func errorWords(r timecode.Ratio) string {
	if r.Sign() == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.2f", r.Float())
}
