package mix

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"cuechoir/internal/fault"
)

// A processor as text is a line: its name and its settings, each a key that ends
// in its unit, an equals sign and a number: «compressor threshold_db=-20
// ratio=4». What is not said is as usual; «compressor off» is none.

// field is one number of a line.
type field struct {
	key string
	at  *float64
}

// form is a processor as a line.
type form struct {
	name   string
	fields []field
	off    func() // puts it to its zero value
}

// maxLine bounds a line: no form comes near it.
const maxLine = 400

// chainForms are the processors of a chain in their order.
func (c *Chain) forms() []form {
	out := []form{
		{"trim", []field{{"db", &c.TrimDB}}, func() { c.TrimDB = 0 }},
		{"high-pass", []field{{"hz", &c.HighPassHz}}, func() { c.HighPassHz = 0 }},
	}
	for i, b := range []*Band{&c.EQ.Low, &c.EQ.LowMid, &c.EQ.HighMid, &c.EQ.High} {
		out = append(out, form{"eq-" + bandKinds[i].name, []field{{"hz", &b.Hz}, {"db", &b.GainDB}, {"q", &b.Q}}, func() { *b = Band{} }})
	}
	g, d, p := &c.Gate, &c.DeEsser, &c.Compressor
	return append(out,
		form{"gate", []field{{"threshold_db", &g.ThresholdDB}, {"range_db", &g.RangeDB}, {"attack_ms", &g.AttackMilliseconds},
			{"hold_ms", &g.HoldMilliseconds}, {"release_ms", &g.ReleaseMilliseconds}}, func() { *g = Gate{} }},
		form{"de-ess", []field{{"threshold_db", &d.ThresholdDB}, {"hz", &d.Hz}, {"range_db", &d.RangeDB}}, func() { *d = DeEsser{} }},
		form{"compressor", []field{{"threshold_db", &p.ThresholdDB}, {"ratio", &p.Ratio}, {"knee_db", &p.KneeDB}, {"attack_ms", &p.AttackMilliseconds},
			{"release_ms", &p.ReleaseMilliseconds}, {"makeup_db", &p.MakeupDB}}, func() { *p = Compressor{} }},
		form{"saturation", []field{{"drive_db", &c.Saturation.DriveDB}}, func() { c.Saturation = Saturation{} }})
}

// ChainNames are the names of a chain's lines in order.
func ChainNames() []string {
	var names []string
	for _, f := range new(Chain).forms() {
		names = append(names, f.name)
	}
	return names
}

// Set takes one line into the chain: the processor that it names is then as the
// line says, whatever it was. It does not look whether the numbers can be; see
// Validate. Errors: Usage.
func (c *Chain) Set(line string) error {
	name, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	forms := c.forms()
	i := slices.IndexFunc(forms, func(f form) bool { return f.name == name })
	if i < 0 {
		return fault.New(fault.Usage, "%q is not a processor", clipped(name)).Mended("choose one of %s", strings.Join(ChainNames(), ", "))
	}
	return forms[i].read(rest)
}

// Lines is the chain as lines, in its order; nil for the zero value.
func (c Chain) Lines() []string {
	var out []string
	for _, f := range c.forms() {
		if text := f.text(); text != "" {
			out = append(out, f.name+" "+text)
		}
	}
	return out
}

func (r *Room) form() form {
	return form{"room", []field{{"seconds", &r.Seconds}, {"high_ratio", &r.HighRatio}, {"pre_delay_ms", &r.PreDelayMilliseconds},
		{"size", &r.Size}, {"return_db", &r.ReturnDB}}, func() { *r = Room{} }}
}

// Set takes the room's settings from a line without a name; Text is that line,
// "" for the zero value.
func (r *Room) Set(line string) error { return r.form().read(line) }
func (r Room) Text() string           { return r.form().text() }

func (e *Echo) form() form {
	return form{"echo", []field{{"ms", &e.Milliseconds}, {"feedback_db", &e.FeedbackDB}, {"low_pass_hz", &e.LowPassHz}, {"return_db", &e.ReturnDB}}, func() { *e = Echo{} }}
}

// Set takes the echo's settings from a line without a name; Text is that line,
// "" for the zero value.
func (e *Echo) Set(line string) error { return e.form().read(line) }
func (e Echo) Text() string           { return e.form().text() }

func (r *Ride) form() form {
	return form{"ride", []field{{"depth_db", &r.DepthDB}, {"threshold_db", &r.ThresholdDB}, {"attack_ms", &r.AttackMilliseconds},
		{"hold_ms", &r.HoldMilliseconds}, {"release_ms", &r.ReleaseMilliseconds}}, func() { *r = Ride{Voice: r.Voice, Marks: r.Marks} }}
}

// Set takes the ride's numbers from a line without a name, and leaves voice and
// marks; Text is that line, "" when all is as usual.
func (r *Ride) Set(line string) error { return r.form().read(line) }
func (r Ride) Text() string           { return r.form().text() }

// read takes «key=value key=value», or «off».
func (f form) read(text string) error {
	if len(text) > maxLine {
		return fault.New(fault.Usage, "%s: the line is longer than %d letters", f.name, maxLine)
	}
	words := strings.Fields(text)
	if len(words) == 0 {
		return fault.New(fault.Usage, "%s: nothing is said of it", f.name).Mended("say %s, or off", f.keys())
	}
	f.off()
	if len(words) == 1 && words[0] == "off" {
		return nil
	}
	seen := map[string]bool{}
	for _, w := range words {
		key, value, ok := strings.Cut(w, "=")
		i := slices.IndexFunc(f.fields, func(x field) bool { return x.key == key })
		if !ok || i < 0 {
			return fault.New(fault.Usage, "%s: %q is not a setting of it", f.name, clipped(w)).Mended("say %s, or off", f.keys())
		}
		if seen[key] {
			return fault.New(fault.Usage, "%s: %s comes twice", f.name, key)
		}
		seen[key] = true
		v, err := strconv.ParseFloat(value, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return fault.New(fault.Usage, "%s: %s: %q is not a number", f.name, key, clipped(value))
		}
		*f.fields[i].at = v + 0 // no negative zero
	}
	return nil
}

// keys are a form's settings as they are written.
func (f form) keys() string {
	var out []string
	for _, x := range f.fields {
		out = append(out, x.key+"=…")
	}
	return strings.Join(out, " ")
}

// text is what is not 0.
func (f form) text() string {
	var out []string
	for _, x := range f.fields {
		if *x.at != 0 {
			out = append(out, x.key+"="+strconv.FormatFloat(*x.at, 'g', -1, 64))
		}
	}
	return strings.Join(out, " ")
}

func clipped(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
