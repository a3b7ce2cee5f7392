package job

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// SoundLine is one line of what is done to a layer's or a group's sound.
type SoundLine struct {
	Name    string // "high-pass", "send-room", "colour", ...
	Text    string // its settings as the score writes them; "" while it is off
	Command string // sets the line as it stands; of a line that is off, with what it starts at
}

// lineStarts are what lines begin with when nobody has said more: mild ones, from
// common practice for a sung layer.
func lineStarts() map[string]string {
	return map[string]string{
		"trim": "db=1", "high-pass": "hz=80",
		"eq-low": "hz=150 db=-2", "eq-low-mid": "hz=400 db=-2 q=1", "eq-high-mid": "hz=2500 db=2 q=1", "eq-high": "hz=8000 db=2",
		"gate": "threshold_db=-50", "de-ess": "threshold_db=-30", "compressor": "threshold_db=-20 ratio=2", "saturation": "drive_db=3",
		"send-room": "-15", "send-echo": "-18", "ride": "depth_db=6", "room": "seconds=1.5", "echo": "ms=350",
	}
}

// LayerLines are the lines of a layer: its colour, its strip, its sends, whether
// the music ducks under it, then room and echo, which are everybody's.
func LayerLines(s *score.Score, layer string) ([]SoundLine, error) {
	l, err := Layer(s, layer)
	if err != nil {
		return nil, err
	}
	out := []SoundLine{{Name: "colour", Text: colourText(l.Colour)}}
	out = append(out, chainLines(l.Strip.Chain)...)
	out = append(out, sendLines(l.Strip.Sends)...)
	ride := SoundLine{Name: "ride"}
	if s.Desk.Ride.Voice == layer {
		ride.Text = wordOr(s.Desk.Ride.Text(), "as usual")
	}
	out = append(out, ride, SoundLine{Name: "room", Text: s.Desk.Room.Text()}, SoundLine{Name: "echo", Text: s.Desk.Echo.Text()})
	return commanded(out, layer, false), nil
}

// GroupLines are the lines of a group's strip and its sends.
func GroupLines(s *score.Score, group string) []SoundLine {
	var found mix.Group
	for _, g := range s.Desk.Groups {
		if g.Name == group {
			found = g
		}
	}
	return commanded(append(chainLines(found.Chain), sendLines(found.Sends)...), group, true)
}

func sendLines(sends []mix.Send) (out []SoundLine) {
	for _, to := range []mix.Bus{mix.ToRoom, mix.ToEcho} {
		line := SoundLine{Name: "send-" + string(to)}
		for _, x := range sends {
			if x.To == to {
				line.Text = strconv.FormatFloat(x.DB, 'g', -1, 64)
			}
		}
		out = append(out, line)
	}
	return out
}

func wordOr(word, or string) string {
	if word == "" {
		return or
	}
	return word
}

func colourText(lines []string) string {
	if name := ColourName(lines); name != "none" {
		return name
	}
	return ""
}

func chainLines(c mix.Chain) (out []SoundLine) {
	lines := c.Lines()
	for _, name := range mix.ChainNames() {
		line := SoundLine{Name: name}
		for _, l := range lines {
			if text, ok := strings.CutPrefix(l, name+" "); ok {
				line.Text = text
			}
		}
		out = append(out, line)
	}
	return out
}

// commanded gives each line its command.
func commanded(lines []SoundLine, name string, group bool) []SoundLine {
	for i := range lines {
		l := &lines[i]
		text := wordOr(l.Text, lineStarts()[l.Name])
		bus, send := strings.CutPrefix(l.Name, "send-")
		switch {
		case l.Name == "colour" && (text == "" || text == "own"):
			l.Command = "cuechoir colour list"
		case l.Name == "colour":
			l.Command = fmt.Sprintf("cuechoir colour %s %s", shellWord(name), text)
		case l.Name == "ride" && text == "as usual":
			l.Command = "cuechoir mix ride " + shellWord(name)
		case l.Name == "ride":
			l.Command = fmt.Sprintf("cuechoir mix ride %s %s", shellWord(name), text)
		case l.Name == "room" || l.Name == "echo":
			l.Command = fmt.Sprintf("cuechoir mix %s %s", l.Name, text)
		case send && group:
			l.Command = fmt.Sprintf("cuechoir mix send --group %s %s %s", shellWord(name), bus, text)
		case send:
			l.Command = fmt.Sprintf("cuechoir mix send %s %s %s", shellWord(name), bus, text)
		case group:
			l.Command = fmt.Sprintf("cuechoir mix group %s --%s %q", shellWord(name), l.Name, text)
		default:
			l.Command = fmt.Sprintf("cuechoir mix set %s --%s %q", shellWord(name), l.Name, text)
		}
	}
	return lines
}

// shellWord is a name as a command line takes it.
func shellWord(name string) string {
	if strings.ContainsAny(name, " '\"$&;|<>()*?!") {
		return strconv.Quote(name)
	}
	return name
}

// LineWish is a change of one line of a layer, or of a group.
type LineWish struct {
	Name  string
	Group bool // Name is a group
	Line  string
	// Text is the whole line anew, "off" for none. "" turns one of its numbers:
	// Number from 0, By steps. A line that is off then starts.
	Text   string
	Number int
	By     int
}

// SetLine changes one line and gives it back as text, "off" when it is. The
// numbers that are turned are those in the document now. Errors: Missing, Usage.
func SetLine(f *score.Folder, w LineWish) (string, error) {
	s, err := f.Load()
	if err != nil {
		return "", err
	}
	now, err := lineNow(s, w)
	if err != nil {
		return "", err
	}
	if w.Text == "" {
		if w.Text, err = turned(w.Line, now, w.Number, w.By); err != nil {
			return "", err
		}
	}
	if w.Text == "off" && now == "" { // another layer's ride stays
		return w.Text, nil
	}
	return w.Text, setLine(f, w)
}

func lineNow(s *score.Score, w LineWish) (string, error) {
	lines := GroupLines(s, w.Name)
	if !w.Group {
		var err error
		if lines, err = LayerLines(s, w.Name); err != nil {
			return "", err
		}
	}
	i := slices.IndexFunc(lines, func(l SoundLine) bool { return l.Name == w.Line })
	if i < 0 {
		return "", fault.New(fault.Usage, "%q is no line of %s", w.Line, w.Name)
	}
	return lines[i].Text, nil
}

func setLine(f *score.Folder, w LineWish) error {
	off := w.Text == "off"
	bus, send := strings.CutPrefix(w.Line, "send-")
	var err error
	switch {
	case send:
		return setSendText(f, w, mix.Bus(bus))
	case w.Group:
		_, err = SetGroup(f, w.Name, GroupWish{Lines: []string{w.Line + " " + w.Text}})
	case w.Line == "colour":
		return setColourNamed(f, w.Name, w.Text)
	case w.Line == "room":
		_, err = SetMaster(f, MasterWish{Room: &w.Text})
	case w.Line == "echo":
		_, err = SetMaster(f, MasterWish{Echo: &w.Text})
	case w.Line == "ride" && off:
		_, err = SetRide(f, RideWish{})
	case w.Line == "ride":
		_, err = SetRide(f, RideWish{Voice: w.Name, Settings: w.Text})
	default:
		_, err = SetStrip(f, w.Name, []string{w.Line + " " + w.Text})
	}
	return err
}

func setSendText(f *score.Folder, w LineWish, to mix.Bus) error {
	set := SetSend
	if w.Group {
		set = SetGroupSend
	}
	if w.Text == "off" {
		_, err := set(f, w.Name, to, nil)
		return err
	}
	db, err := strconv.ParseFloat(w.Text, 64)
	if err != nil {
		return fault.New(fault.Usage, "%q is no level in dB", w.Text).Mended("give a number such as -12, or off")
	}
	_, err = set(f, w.Name, to, &db)
	return err
}

func setColourNamed(f *score.Folder, layer, name string) error {
	var lines []string
	if name != "off" && name != "none" {
		r, ok := voice.FindRecipe(name)
		if !ok {
			return fault.New(fault.Missing, "there is no colour %q", name).Mended("list them: cuechoir colour list")
		}
		lines = r.Lines
	}
	_, err := SetColour(f, layer, "colour of "+layer, lines)
	return err
}

// turned is a line with one of its numbers some steps on.
func turned(line, now string, number, by int) (string, error) {
	if line == "colour" {
		return turnedColour(now, by), nil
	}
	if now == "" || now == "as usual" {
		return lineStarts()[line], nil
	}
	words := strings.Fields(now)
	if len(words) == 0 {
		return "", fault.New(fault.Usage, "%s has no numbers", line)
	}
	i := max(0, min(number, len(words)-1))
	key, value, ok := strings.Cut(words[i], "=")
	if !ok {
		key, value = "db", words[i]
	}
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return "", fault.New(fault.Usage, "%s: %q is no number", line, value).Because(err)
	}
	text := strconv.FormatFloat(stepped(key, v, by), 'g', -1, 64)
	if ok {
		text = key + "=" + text
	}
	words[i] = text
	return strings.Join(words, " "), nil
}

// stepped is a number some steps on: a dB, a semitone of a frequency, a tenth of
// a time, a tenth of what has no unit. A 0 is stepped over: in a line it says
// nothing.
func stepped(key string, v float64, by int) float64 {
	n := float64(by)
	switch {
	case strings.HasSuffix(key, "db"):
		v += n
		if v == 0 {
			v += math.Copysign(1, n)
		}
		return math.Round(v*10) / 10
	case strings.HasSuffix(key, "hz"):
		return math.Round(v * math.Pow(2, n/12))
	case strings.HasSuffix(key, "ms"):
		return max(1, math.Round(v*math.Pow(1.1, n)+math.Copysign(0.5, n)))
	}
	return max(0.1, math.Round((v+n/10)*10)/10)
}

// turnedColour goes along the list of colours; before the first lies none.
func turnedColour(now string, by int) string {
	names := []string{"off"}
	for _, r := range voice.Recipes() {
		names = append(names, r.Name)
	}
	i := max(0, slices.Index(names, now)) + by
	return names[((i%len(names))+len(names))%len(names)]
}
