package job

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// SetStrip takes lines into a layer's strip, each as mix.Chain.Set reads it.
func SetStrip(f *score.Folder, layer string, lines []string) (*score.Score, error) {
	return f.Edit(chainLabel("the strip of "+layer, lines), func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err != nil {
			return err
		}
		return setChain(&l.Strip.Chain, lines, s.SampleRate)
	})
}

// chainLabel names an edit of a chain in the history.
func chainLabel(of string, lines []string) string {
	var names []string
	for _, l := range lines {
		name, rest, _ := strings.Cut(l, " ")
		if rest == "off" {
			name += " off"
		}
		names = append(names, name)
	}
	return of + ": " + strings.Join(names, ", ")
}

// setChain takes lines into a chain that can be.
func setChain(c *mix.Chain, lines []string, sampleRate int) error {
	for _, l := range lines {
		if err := c.Set(l); err != nil {
			return err
		}
	}
	return c.Validate(sampleRate)
}

// GroupWish is what is changed of a group; nil leaves it.
type GroupWish struct {
	Lines  []string
	GainDB *float64
	Mute   *bool
	Plain  bool // first all of it goes: it is passed on as it is
}

// SetGroup changes how a group is treated. Errors: Missing for a group that no
// layer is in.
func SetGroup(f *score.Folder, name string, w GroupWish) (*score.Score, error) {
	label := chainLabel("group "+name, w.Lines)
	if len(w.Lines) == 0 {
		label = "group " + name + " changed"
	}
	return f.Edit(label, func(s *score.Score) error {
		if err := checkGroup(s, name); err != nil {
			return err
		}
		if w.Plain {
			s.Desk.Groups = slices.DeleteFunc(s.Desk.Groups, func(g mix.Group) bool { return g.Name == name })
		}
		if w.GainDB == nil && w.Mute == nil && len(w.Lines) == 0 {
			return nil
		}
		g := s.Desk.Group(name)
		if w.GainDB != nil {
			g.GainDB = *w.GainDB
		}
		if w.Mute != nil {
			g.Mute = *w.Mute
		}
		return setChain(&g.Chain, w.Lines, s.SampleRate)
	})
}

func checkGroup(s *score.Score, name string) error {
	groups := GroupNames(s)
	if slices.Contains(groups, name) {
		return nil
	}
	return fault.New(fault.Missing, "no layer is in a group %q", name).Mended("the groups are: %s; put a layer in one: cuechoir layer set LAYER --group %s", orNone(groups), name)
}

func orNone(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

// GroupNames are the groups that layers are in, in the layers' order, then those
// that are treated and empty.
func GroupNames(s *score.Score) []string {
	var out []string
	add := func(name string) {
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	for _, l := range s.Layers {
		add(l.Group)
	}
	for _, g := range s.Desk.Groups {
		add(g.Name)
	}
	return out
}

// SetSend sets how much of a layer goes to room or echo; nil takes it away.
func SetSend(f *score.Folder, layer string, to mix.Bus, db *float64) (*score.Score, error) {
	return f.Edit(fmt.Sprintf("send of %s to %s", layer, to), func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err != nil {
			return err
		}
		l.Strip.Sends = withSend(l.Strip.Sends, to, db)
		return mix.Strip{Sends: l.Strip.Sends}.Settings(s.SampleRate)
	})
}

// SetGroupSend is the same of a group as a whole, beside what its layers send.
// Errors: Missing for a group that no layer is in.
func SetGroupSend(f *score.Folder, group string, to mix.Bus, db *float64) (*score.Score, error) {
	return f.Edit(fmt.Sprintf("send of group %s to %s", group, to), func(s *score.Score) error {
		if err := checkGroup(s, group); err != nil {
			return err
		}
		g := s.Desk.Group(group)
		g.Sends = withSend(g.Sends, to, db)
		return g.Validate(s.SampleRate)
	})
}

func withSend(sends []mix.Send, to mix.Bus, db *float64) []mix.Send {
	sends = slices.DeleteFunc(sends, func(x mix.Send) bool { return x.To == to })
	if db != nil {
		sends = append(sends, mix.Send{To: to, DB: *db})
	}
	if len(sends) == 0 {
		return nil
	}
	return sends
}

// FaderMove is a fader at a beat, or at a sample of the timeline.
type FaderMove struct {
	Bar, Beat int
	DB        float64
	Sample    *int64 // it comes before bar and beat
}

// DefaultGlideMilliseconds is how long a fader takes that is asked to jump.
const DefaultGlideMilliseconds = 20

// AutomateWish is how the fader of a layer, or of a group, moves.
type AutomateWish struct {
	Name  string
	Group bool // Name is a group
	Moves []FaderMove
	// Replace has the moves take the place of all that were there.
	Replace bool
	// GlideMilliseconds, when not 0, has the fader wait and then move in this
	// time, so as to be there on the beat; at 0 it moves all the way from one to
	// the next.
	GlideMilliseconds float64
}

// Automate sets knots of a fader's automation; those at other places stay. No
// move at all takes the automation away. Errors: Missing (no map), Usage (a beat
// that is not in the map).
func Automate(f *score.Folder, w AutomateWish) (*score.Score, error) {
	label := "the fader of " + w.Name + " moves"
	if len(w.Moves) == 0 {
		label = "the fader of " + w.Name + " stands"
	}
	return f.Edit(label, func(s *score.Score) error {
		to, err := faderOf(s, w)
		if err != nil {
			return err
		}
		if len(w.Moves) == 0 {
			*to = nil
			return nil
		}
		a, err := movedFader(s, *to, w)
		if err != nil {
			return err
		}
		*to = a
		return mix.Strip{Automation: a}.Settings(s.SampleRate)
	})
}

// faderOf is the automation that a wish is about.
func faderOf(s *score.Score, w AutomateWish) (*mix.Automation, error) {
	if w.Group {
		if err := checkGroup(s, w.Name); err != nil {
			return nil, err
		}
		return &s.Desk.Group(w.Name).Automation, nil
	}
	l, err := Layer(s, w.Name)
	if err != nil {
		return nil, err
	}
	return &l.Strip.Automation, nil
}

// movedFader puts the moves among the knots that are there.
func movedFader(s *score.Score, a mix.Automation, w AutomateWish) (mix.Automation, error) {
	if !(w.GlideMilliseconds >= 0 && w.GlideMilliseconds <= 10000) {
		return nil, fault.New(fault.Usage, "a glide of %g ms is outside 0 to 10000", w.GlideMilliseconds)
	}
	glide := int64(math.Round(w.GlideMilliseconds / 1000 * float64(s.SampleRate)))
	out := slices.Clone(a)
	if w.Replace {
		out = nil
	}
	put := func(k mix.Knot) {
		i, found := slices.BinarySearchFunc(out, k.At, func(x mix.Knot, at int64) int { return int(min(max(x.At-at, -1), 1)) })
		if found {
			out[i] = k
			return
		}
		out = slices.Insert(out, i, k)
	}
	for _, m := range w.Moves {
		at, err := m.place(s)
		if err != nil {
			return nil, err
		}
		before := 0.0
		for _, k := range out {
			if k.At < at {
				before = k.DB
			}
		}
		if glide > 0 {
			put(mix.Knot{At: at - glide, DB: before})
		}
		put(mix.Knot{At: at, DB: m.DB})
	}
	return out, nil
}

func (m FaderMove) place(s *score.Score) (int64, error) {
	if m.Sample == nil {
		return beatSample(s, m.Bar, m.Beat)
	}
	if at := *m.Sample; at < 0 || at > s.Length() {
		return 0, fault.New(fault.Usage, "sample %d is not in the picture, which has %d", at, s.Length())
	}
	return *m.Sample, nil
}

// beatSample is where a beat of the map begins.
func beatSample(s *score.Score, bar, beat int) (int64, error) {
	grid, err := Grid(s)
	if err != nil {
		return 0, err
	}
	beats := grid.Beats(s.SampleRate)
	for _, b := range beats {
		if b.Bar == bar && b.Beat == beat {
			return b.Sample, nil
		}
	}
	return 0, fault.New(fault.Usage, "beat %d.%d is not in the map, which has bars %d to %d", bar, beat, beats[0].Bar, beats[len(beats)-1].Bar)
}

// MasterWish is what is changed behind the groups; nil leaves it.
type MasterWish struct {
	Lines      []string // of the master's chain
	Room, Echo *string  // as mix.Room.Set and mix.Echo.Set read them
	Limit      *bool
	Colour     *[]string // lines of the whole mix's colour; none takes it off
}

// SetMaster changes master, room and echo.
func SetMaster(f *score.Folder, w MasterWish) (*score.Score, error) {
	label := "the master"
	switch {
	case w.Room != nil:
		label = "the room"
	case w.Echo != nil:
		label = "the echo"
	case w.Colour != nil:
		label = "the colour of the mix"
	case len(w.Lines) > 0:
		label = chainLabel(label, w.Lines)
	}
	return f.Edit(label, func(s *score.Score) error {
		d := &s.Desk
		if w.Room != nil {
			if err := d.Room.Set(*w.Room); err != nil {
				return err
			}
		}
		if w.Echo != nil {
			if err := d.Echo.Set(*w.Echo); err != nil {
				return err
			}
		}
		if w.Limit != nil {
			d.Limit = *w.Limit
		}
		if w.Colour != nil {
			if _, err := voice.ParseColour(*w.Colour); err != nil {
				return err
			}
			d.Colour = *w.Colour
		}
		if err := setChain(&d.Master, w.Lines, s.SampleRate); err != nil {
			return err
		}
		return mix.Desk{Room: d.Room, Echo: d.Echo, Master: d.Master}.Validate(s.SampleRate)
	})
}

// RideWish is how the music ducks under a layer that speaks.
type RideWish struct {
	Voice    string // "" takes the ride away
	Settings string // as mix.Ride.Set reads them; "": as they are
	Marks    []Stretch
	Detect   bool // marks go, and the voice is listened for
}

// SetRide sets the ride.
func SetRide(f *score.Folder, w RideWish) (*score.Score, error) {
	label := "the music rides under " + w.Voice
	if w.Voice == "" {
		label = "the ride is off"
	}
	return f.Edit(label, func(s *score.Score) error {
		if w.Voice == "" {
			s.Desk.Ride = mix.Ride{}
			return nil
		}
		if _, err := Layer(s, w.Voice); err != nil {
			return err
		}
		r := &s.Desk.Ride
		r.Voice = w.Voice
		if w.Settings != "" {
			if err := r.Set(w.Settings); err != nil {
				return err
			}
		}
		if w.Detect || len(w.Marks) > 0 {
			r.Marks = nil
		}
		for _, m := range w.Marks {
			r.Marks = append(r.Marks, mix.Span(m))
		}
		return mix.Desk{Ride: *r}.Validate(s.SampleRate)
	})
}
