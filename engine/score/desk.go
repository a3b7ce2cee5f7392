package score

import (
	"fmt"

	"cuechoir/engine/mix"
)

// MaxGroups bounds the groups that a document treats.
const MaxGroups = 200

// LayerStrip is what a layer's strip does beside its fader and pan. The zero
// value is nothing.
type LayerStrip struct {
	Chain      mix.Chain
	Automation mix.Automation // of the fader, on the timeline
	Sends      []mix.Send
}

// Desk is how layers are mixed, beside their strips. The zero value changes
// nothing.
type Desk struct {
	Groups []mix.Group
	Room   mix.Room
	Echo   mix.Echo
	Ride   mix.Ride
	Master mix.Chain
	Limit  bool     // peaks over the ceiling are lowered by themselves
	Colour []string // of the whole mix behind the master: a processor a line, as a layer's
}

// Group finds how a group is treated, and makes room for it when it is not.
func (d *Desk) Group(name string) *mix.Group {
	for i := range d.Groups {
		if d.Groups[i].Name == name {
			return &d.Groups[i]
		}
	}
	d.Groups = append(d.Groups, mix.Group{Name: name})
	return &d.Groups[len(d.Groups)-1]
}

func (s *Score) validateDesk() error {
	if len(s.Desk.Groups) > MaxGroups {
		return fmt.Errorf("[[groups]]: more than %d", MaxGroups)
	}
	if err := checkColour(s.Desk.Colour); err != nil {
		return fmt.Errorf("[mix]: %w", err)
	}
	for i, g := range s.Desk.Groups {
		place := fmt.Sprintf("[[groups]] %d", i+1)
		if err := CheckName(g.Name); err != nil {
			return fmt.Errorf("%s: name: %w", place, err)
		}
		if err := checkFader(g.GainDB); err != nil {
			return fmt.Errorf("%s (%s): %w", place, g.Name, err)
		}
	}
	if v := s.Desk.Ride.Voice; v != "" {
		if err := CheckName(v); err != nil {
			return fmt.Errorf("[mix]: ride: %w", err)
		}
	}
	d := mix.Desk{Groups: s.Desk.Groups, Room: s.Desk.Room, Echo: s.Desk.Echo, Ride: s.Desk.Ride, Master: s.Desk.Master}
	if err := d.Validate(s.SampleRate); err != nil {
		return fmt.Errorf("[mix]: %w", err)
	}
	return nil
}

func (s LayerStrip) validate(sampleRate int) error {
	return mix.Strip{Chain: s.Chain, Automation: s.Automation, Sends: s.Sends}.Settings(sampleRate)
}

func checkFader(db float64) error {
	if !(db >= -120 && db <= 24) {
		return fmt.Errorf("gain_db: %g dB is outside -120 to 24", db)
	}
	return nil
}

// The form of the mix in score.toml: a processor a line, as in «compressor
// threshold_db=-20 ratio=4».
type (
	fileStrip struct {
		Strip      []string   `toml:"strip,multiline,omitempty"`
		Sends      []fileSend `toml:"sends,inline,multiline,omitempty"`
		Automation []fileKnot `toml:"automation,inline,multiline,omitempty"`
	}
	fileSend struct {
		To string  `toml:"to"`
		DB float64 `toml:"db"`
	}
	fileKnot struct {
		At int64   `toml:"at"`
		DB float64 `toml:"db"`
	}
	fileGroup struct {
		Name       string     `toml:"name"`
		GainDB     float64    `toml:"gain_db"`
		Mute       bool       `toml:"mute,omitempty"`
		Strip      []string   `toml:"strip,multiline,omitempty"`
		Sends      []fileSend `toml:"sends,inline,multiline,omitempty"`
		Automation []fileKnot `toml:"automation,inline,multiline,omitempty"`
	}
	fileMix struct {
		Room   string    `toml:"room,omitempty"`
		Echo   string    `toml:"echo,omitempty"`
		Ride   *fileRide `toml:"ride,omitempty"`
		Master []string  `toml:"master,multiline,omitempty"`
		Limit  bool      `toml:"limit,omitempty"`
		Colour []string  `toml:"colour,multiline,omitempty"`
	}
	fileRide struct {
		Voice    string        `toml:"voice"`
		Settings string        `toml:"settings,omitempty"`
		Marks    []fileStretch `toml:"marks,inline,multiline,omitempty"`
	}
	fileStretch struct {
		From int64 `toml:"from"`
		To   int64 `toml:"to"`
	}
)

func (f *fileStrip) set(s LayerStrip) {
	f.Strip, f.Automation = s.Chain.Lines(), knotsOf(s.Automation)
	f.Sends = fileSends(s.Sends)
}

func fileSends(sends []mix.Send) (out []fileSend) {
	for _, x := range sends {
		out = append(out, fileSend{string(x.To), x.DB})
	}
	return out
}

func readSends(f []fileSend) (out []mix.Send) {
	for _, x := range f {
		out = append(out, mix.Send{To: mix.Bus(x.To), DB: x.DB})
	}
	return out
}

func (f fileStrip) read() (s LayerStrip, err error) {
	if s.Chain, err = readChain(f.Strip); err != nil {
		return s, fmt.Errorf("strip: %w", err)
	}
	s.Sends = readSends(f.Sends)
	s.Automation = readKnots(f.Automation)
	return s, nil
}

func knotsOf(a mix.Automation) []fileKnot {
	var out []fileKnot
	for _, k := range a {
		out = append(out, fileKnot(k))
	}
	return out
}

func readKnots(f []fileKnot) mix.Automation {
	var out mix.Automation
	for _, k := range f {
		out = append(out, mix.Knot(k))
	}
	return out
}

func readChain(lines []string) (c mix.Chain, err error) {
	for _, l := range lines {
		if err := c.Set(l); err != nil {
			return c, err
		}
	}
	return c, nil
}

func (f *fileScore) setDesk(d Desk) {
	for _, g := range d.Groups {
		f.Groups = append(f.Groups, fileGroup{g.Name, g.GainDB, g.Mute, g.Chain.Lines(), fileSends(g.Sends), knotsOf(g.Automation)})
	}
	m := fileMix{Room: d.Room.Text(), Echo: d.Echo.Text(), Master: d.Master.Lines(), Limit: d.Limit, Colour: d.Colour}
	if d.Ride.Voice != "" {
		m.Ride = &fileRide{Voice: d.Ride.Voice, Settings: d.Ride.Text()}
		for _, x := range d.Ride.Marks {
			m.Ride.Marks = append(m.Ride.Marks, fileStretch(x))
		}
	}
	if m.Room != "" || m.Echo != "" || m.Ride != nil || m.Master != nil || m.Limit || len(m.Colour) > 0 {
		f.Mix = &m
	}
}

func (f *fileScore) readDesk() (d Desk, err error) {
	for i, g := range f.Groups {
		chain, err := readChain(g.Strip)
		if err != nil {
			return d, fmt.Errorf("[[groups]] %d: %w", i+1, err)
		}
		d.Groups = append(d.Groups, mix.Group{Name: g.Name, Chain: chain, GainDB: g.GainDB, Sends: readSends(g.Sends), Automation: readKnots(g.Automation), Mute: g.Mute})
	}
	m := f.Mix
	if m == nil {
		return d, nil
	}
	d.Limit, d.Colour = m.Limit, m.Colour
	if d.Master, err = readChain(m.Master); err != nil {
		return d, fmt.Errorf("[mix]: master: %w", err)
	}
	for _, x := range []struct {
		text string
		set  func(string) error
	}{{m.Room, d.Room.Set}, {m.Echo, d.Echo.Set}} {
		if x.text != "" {
			if err := x.set(x.text); err != nil {
				return d, fmt.Errorf("[mix]: %w", err)
			}
		}
	}
	if r := m.Ride; r != nil {
		d.Ride.Voice = r.Voice
		if r.Settings != "" {
			if err := d.Ride.Set(r.Settings); err != nil {
				return d, fmt.Errorf("[mix]: %w", err)
			}
		}
		for _, x := range r.Marks {
			d.Ride.Marks = append(d.Ride.Marks, mix.Span(x))
		}
	}
	return d, nil
}
