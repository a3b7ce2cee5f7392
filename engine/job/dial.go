package job

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// DialOf says whose a dial is: a layer's, a group's, or, with neither, the whole
// mix's.
type DialOf struct{ Layer, Group string }

// Dial is one thing that can be set of a sound, as a line of words and numbers.
type Dial struct {
	Name  string // "compressor", "room", "colour", ...
	Text  string // as it stands; "" while there is none
	Usual string // a line to begin with
	Uses  string // what it does, in a few words
}

// The names of the dials that are not processors.
const (
	dialRetune = "retune"
	dialRetime = "retime"
	dialColour = "colour"
	dialRoom   = "room"
	dialEcho   = "echo"
	dialRide   = "ride"
	dialLimit  = "limit"
	dialOff    = "off"
)

// usualLines are lines to begin with, and what each processor is for.
var usualLines = map[string][2]string{
	"trim":        {"db=3", "level before all else"},
	"high-pass":   {"hz=80", "takes away what is low"},
	"eq-low":      {"hz=110 db=2", "more or less of the low"},
	"eq-low-mid":  {"hz=400 db=-2 q=1", "a bell in the lower middle"},
	"eq-high-mid": {"hz=2500 db=2 q=1", "a bell in the upper middle"},
	"eq-high":     {"hz=8000 db=2", "more or less of the high"},
	"gate":        {"threshold_db=-50 range_db=20", "lowers what is soft"},
	"de-ess":      {"threshold_db=-35", "lowers hissing consonants"},
	"compressor":  {"threshold_db=-20 ratio=3", "lowers what is loud"},
	"saturation":  {"drive_db=6", "rounds peaks"},
}

// Dials are what can be set, in the order in which sound goes through it. Errors:
// Missing (no such layer or group).
func Dials(s *score.Score, of DialOf) ([]Dial, error) {
	d := &s.Desk
	switch {
	case of.Layer != "":
		l, err := Layer(s, of.Layer)
		if err != nil {
			return nil, err
		}
		out := []Dial{{dialRetune, mendText(l, score.Retune), "amount=80 speed_ms=120", "brings notes to their pitch"},
			{dialRetime, mendText(l, score.Retime), "to=grid amount=80", "to grid, hits or a layer"},
			{dialColour, colourText(l.Colour), "strings", "what the voice becomes"}}
		out = append(out, chainDials(l.Strip.Chain)...)
		return append(out, sendDials(l.Strip.Sends)...), nil
	case of.Group != "":
		if err := checkGroup(s, of.Group); err != nil {
			return nil, err
		}
		g := mix.Group{}
		if i := slices.IndexFunc(d.Groups, func(g mix.Group) bool { return g.Name == of.Group }); i >= 0 {
			g = d.Groups[i]
		}
		return append(chainDials(g.Chain), sendDials(g.Sends)...), nil
	}
	ride := d.Ride.Voice
	if t := d.Ride.Text(); t != "" {
		ride += " " + t
	}
	limit := ""
	if d.Limit {
		limit = "on"
	}
	out := []Dial{{dialRoom, d.Room.Text(), "seconds=2.5", "the room that layers send to"},
		{dialEcho, d.Echo.Text(), "ms=350 feedback_db=-9", "the echo that layers send to"},
		{dialRide, ride, "LAYER depth_db=9", "the music ducks under a layer"}}
	out = append(out, chainDials(d.Master)...)
	return append(out, Dial{dialColour, colourText(d.Colour), "old-optical", "what the whole mix becomes"},
		Dial{dialLimit, limit, "on", "peaks are lowered by themselves"}), nil
}

// chainDials are a chain's processors, each with what stands or would.
func chainDials(c mix.Chain) (out []Dial) {
	text := map[string]string{}
	for _, line := range c.Lines() {
		name, rest, _ := strings.Cut(line, " ")
		text[name] = rest
	}
	for _, name := range mix.ChainNames() {
		u := usualLines[name]
		out = append(out, Dial{name, text[name], u[0], u[1]})
	}
	return out
}

func sendDials(sends []mix.Send) (out []Dial) {
	for _, to := range []mix.Bus{mix.ToRoom, mix.ToEcho} {
		d := Dial{string(to), "", "db=-12", "how much goes to the " + string(to)}
		for _, x := range sends {
			if x.To == to {
				d.Text = fmt.Sprintf("db=%g", x.DB)
			}
		}
		out = append(out, d)
	}
	return out
}

// mendText is the mend of a kind that is for all of the layer.
func mendText(l *score.Layer, do string) string {
	for _, m := range l.Mends {
		if m.Do != do || !m.All() {
			continue
		}
		if do == score.Retune {
			return fmt.Sprintf("amount=%g speed_ms=%g", 100*m.Amount, m.SpeedMS)
		}
		return fmt.Sprintf("to=%s amount=%g", m.To, 100*m.Amount)
	}
	return ""
}

// colourText is a colour by its name while it is as it was, else its lines.
func colourText(lines []string) string {
	if name := ColourName(lines); name != "own" {
		return strings.TrimPrefix(name, "none")
	}
	return strings.Join(lines, "; ")
}

// ColourLines are the lines that words stand for: a colour's name, lines with
// semicolons between, or none. Errors: Missing, Malformed.
func ColourLines(text string) ([]string, error) {
	if text = strings.TrimSpace(text); text == "" || text == "none" || text == dialOff {
		return nil, nil
	}
	if r, ok := voice.FindRecipe(text); ok {
		return r.Lines, nil
	}
	var lines []string
	for _, l := range strings.Split(text, ";") {
		if l = strings.TrimSpace(l); l != "" {
			lines = append(lines, l)
		}
	}
	if _, err := voice.ParseColour(lines); err != nil {
		if len(strings.Fields(text)) == 1 {
			return nil, fault.New(fault.Missing, "there is no colour %q", text).Mended("list them: cuechoir colour list")
		}
		return nil, err
	}
	return lines, nil
}

// SetDial sets a dial as its text says, "off" or "" for none; a mend over x alone
// when x is not all. What is wrong with the text is told and nothing changes.
func SetDial(ctx context.Context, f *score.Folder, of DialOf, name, text string, x Stretch) error {
	if text = strings.TrimSpace(text); text == "" {
		text = dialOff
	}
	line := []string{name + " " + text}
	var err error
	switch {
	case of.Layer != "":
		err = setLayerDial(ctx, f, of.Layer, name, text, x)
	case of.Group != "" && (name == dialRoom || name == dialEcho):
		var db *float64
		if db, err = sendOf(text); err == nil {
			_, err = SetGroupSend(f, of.Group, mix.Bus(name), db)
		}
	case of.Group != "":
		_, err = SetGroup(f, of.Group, GroupWish{Lines: line})
	default:
		switch name {
		case dialRoom:
			_, err = SetMaster(f, MasterWish{Room: &text})
		case dialEcho:
			_, err = SetMaster(f, MasterWish{Echo: &text})
		case dialRide:
			_, err = SetRide(f, rideOf(text))
		case dialColour:
			var lines []string
			if lines, err = ColourLines(text); err == nil {
				_, err = SetMaster(f, MasterWish{Colour: &lines})
			}
		case dialLimit:
			on := text != dialOff
			_, err = SetMaster(f, MasterWish{Limit: &on})
		default:
			_, err = SetMaster(f, MasterWish{Lines: line})
		}
	}
	return err
}

func rideOf(text string) RideWish {
	if text == dialOff {
		return RideWish{}
	}
	voice, settings, _ := strings.Cut(text, " ")
	return RideWish{Voice: voice, Settings: strings.TrimSpace(settings)}
}

func setLayerDial(ctx context.Context, f *score.Folder, layer, name, text string, x Stretch) error {
	switch name {
	case dialRetune, dialRetime:
		m, err := mendOfWords(name, text)
		if err != nil {
			return err
		}
		m.From, m.By = x.From, x.To
		_, err = AddMend(ctx, f, layer, m)
		return err
	case dialColour:
		lines, err := ColourLines(text)
		if err != nil {
			return err
		}
		_, err = SetColour(f, layer, "colour of "+layer, lines)
		return err
	case dialRoom, dialEcho:
		db, err := sendOf(text)
		if err != nil {
			return err
		}
		_, err = SetSend(f, layer, mix.Bus(name), db)
		return err
	}
	_, err := SetStrip(f, layer, []string{name + " " + text})
	return err
}

// mendOfWords reads a mend's words: amount=80 speed_ms=120, or to=grid amount=100.
func mendOfWords(do, text string) (score.Mend, error) {
	m := score.Mend{Do: do, Amount: 1}
	if do == score.Retune {
		m.SpeedMS = 120
	} else {
		m.To = score.ToGrid
	}
	if text == dialOff {
		m.Amount, m.SpeedMS = 0, 0
		return m, nil
	}
	for _, w := range strings.Fields(text) {
		key, value, _ := strings.Cut(w, "=")
		number, err := strconv.ParseFloat(value, 64)
		switch {
		case key == "to" && do == score.Retime && value != "":
			m.To = value
		case key == "amount" && err == nil:
			m.Amount = number / 100
		case key == "speed_ms" && do == score.Retune && err == nil:
			m.SpeedMS = number
		default:
			return m, fault.New(fault.Usage, "%s: %q is not understood", do, w).Mended("say %s, or off", map[string]string{
				score.Retune: "amount=80 speed_ms=120", score.Retime: "to=grid amount=80"}[do])
		}
	}
	return m, nil
}

// sendOf reads db=-12, or -12; nil is off.
func sendOf(text string) (*float64, error) {
	if text == dialOff {
		return nil, nil
	}
	db, err := strconv.ParseFloat(strings.TrimPrefix(text, "db="), 64)
	if err != nil {
		return nil, fault.New(fault.Usage, "%q is not a level", text).Mended("say db=-12, or off")
	}
	return &db, nil
}
