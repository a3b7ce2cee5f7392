package main

import (
	"fmt"
	"slices"
	"strings"

	"cuechoir/engine/job"
	"cuechoir/engine/mix"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
)

// The mix as --json prints it: processors are lines, as in score.toml.
type (
	stripRow struct {
		Layer      string             `json:"layer"`
		Group      string             `json:"group,omitempty"`
		GainDB     float64            `json:"gain_db"`
		Pan        float64            `json:"pan"`
		Mute       bool               `json:"mute"`
		Strip      []string           `json:"strip"`
		Sends      map[string]float64 `json:"sends_db"`
		Automation []knotRow          `json:"automation"`
	}
	groupRow struct {
		Name       string             `json:"name"`
		Layers     []string           `json:"layers"`
		GainDB     float64            `json:"gain_db"`
		Mute       bool               `json:"mute"`
		Strip      []string           `json:"strip"`
		Sends      map[string]float64 `json:"sends_db"`
		Automation []knotRow          `json:"automation"`
	}
	knotRow struct {
		At       int64   `json:"sample"`
		Timecode string  `json:"timecode"`
		DB       float64 `json:"db"`
	}
	mixRow struct {
		Strips []stripRow `json:"strips"`
		Groups []groupRow `json:"groups"`
		Room   string     `json:"room"`
		Echo   string     `json:"echo"`
		Ride   *rideRow   `json:"ride"`
		Master []string   `json:"master"`
		Limit  bool       `json:"limit"`
		Colour []string   `json:"colour"`
	}
	rideRow struct {
		Voice    string     `json:"voice"`
		Settings string     `json:"settings"`
		Marks    []mix.Span `json:"marks"`
	}
)

func mixRowOf(s *score.Score) mixRow {
	d := s.Desk
	out := mixRow{Strips: []stripRow{}, Groups: []groupRow{}, Room: d.Room.Text(), Echo: d.Echo.Text(), Master: linesOf(d.Master), Limit: d.Limit, Colour: append([]string{}, d.Colour...)}
	for _, l := range s.Layers {
		r := stripRow{l.Name, l.Group, l.GainDB, l.Pan, l.Mute, linesOf(l.Strip.Chain), map[string]float64{}, knotRows(s, l.Strip.Automation)}
		for _, x := range l.Strip.Sends {
			r.Sends[string(x.To)] = x.DB
		}
		out.Strips = append(out.Strips, r)
	}
	for _, name := range job.GroupNames(s) {
		r := groupRow{Name: name, Layers: []string{}, Strip: []string{}, Sends: map[string]float64{}, Automation: []knotRow{}}
		for _, l := range s.Layers {
			if l.Group == name {
				r.Layers = append(r.Layers, l.Name)
			}
		}
		if i := slices.IndexFunc(d.Groups, func(g mix.Group) bool { return g.Name == name }); i >= 0 {
			g := d.Groups[i]
			r.GainDB, r.Mute, r.Strip, r.Automation = g.GainDB, g.Mute, linesOf(g.Chain), knotRows(s, g.Automation)
			for _, x := range g.Sends {
				r.Sends[string(x.To)] = x.DB
			}
		}
		out.Groups = append(out.Groups, r)
	}
	if d.Ride.Voice != "" {
		out.Ride = &rideRow{d.Ride.Voice, d.Ride.Text(), append([]mix.Span{}, d.Ride.Marks...)}
	}
	return out
}

func linesOf(c mix.Chain) []string { return append([]string{}, c.Lines()...) }

func knotRows(s *score.Score, a mix.Automation) []knotRow {
	out := []knotRow{}
	for _, k := range a {
		out = append(out, knotRow{k.At, s.Reference.Rate.Timecode(s.Reference.Start + s.Reference.Rate.FrameOf(k.At, s.SampleRate)), k.DB})
	}
	return out
}

func (a *app) printMix(s *score.Score) error {
	row := mixRowOf(s)
	if done, err := a.printJSON(row); done {
		return err
	}
	if len(row.Strips) == 0 {
		a.say("No layers yet. Add one: cuechoir layer add NAME --part FILE.mid")
		return nil
	}
	t := report.Table{Head: []string{"strip", "group", "fader dB", "pan", "room dB", "echo dB", "processors"}, Right: []bool{false, false, true, true, true, true}}
	for _, r := range row.Strips {
		t.Rows = append(t.Rows, []string{r.Layer, r.Group, faderWords(r.GainDB, r.Mute, r.Automation), fmt.Sprintf("%.2f", r.Pan),
			sendWords(r.Sends, mix.ToRoom), sendWords(r.Sends, mix.ToEcho), strings.Join(r.Strip, "; ")})
	}
	for _, r := range row.Groups {
		t.Rows = append(t.Rows, []string{"group " + r.Name, fmt.Sprintf("%d layers", len(r.Layers)), faderWords(r.GainDB, r.Mute, r.Automation), "",
			sendWords(r.Sends, mix.ToRoom), sendWords(r.Sends, mix.ToEcho), strings.Join(r.Strip, "; ")})
	}
	if err := a.table(t); err != nil {
		return err
	}
	limit := ""
	if row.Limit {
		limit = "; peaks over the ceiling are lowered by themselves"
	}
	a.say("room: %s. echo: %s. master: %s%s.", orUsual(row.Room), orUsual(row.Echo), orPlain(row.Master), limit)
	if len(row.Colour) > 0 {
		a.say("the whole mix is coloured: %s.", strings.Join(row.Colour, "; "))
	}
	if r := row.Ride; r != nil {
		how := "where it is heard"
		if len(r.Marks) > 0 {
			how = fmt.Sprintf("in %d stretches that are marked", len(r.Marks))
		}
		a.say("ride: the music ducks under %s, %s (%s).", r.Voice, how, orUsual(r.Settings))
	}
	return nil
}

func faderWords(db float64, mute bool, knots []knotRow) string {
	text := fmt.Sprintf("%.1f", db)
	if len(knots) > 0 {
		text += fmt.Sprintf(" moves %d×", len(knots))
	}
	if mute {
		text += " muted"
	}
	return text
}

func sendWords(sends map[string]float64, to mix.Bus) string {
	if db, ok := sends[string(to)]; ok {
		return fmt.Sprintf("%.1f", db)
	}
	return ""
}

func orUsual(text string) string {
	if text == "" {
		return "as usual"
	}
	return text
}

func orPlain(lines []string) string {
	if len(lines) == 0 {
		return "plain"
	}
	return strings.Join(lines, "; ")
}
