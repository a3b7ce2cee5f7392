package job

import (
	"fmt"
	"math"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// Bounds of a fader, as score.toml has them.
const (
	minFaderDB = -120
	maxFaderDB = 24
)

// MoveFader moves a layer's fader by so many dB, within its way, and reports
// where it stands.
func MoveFader(f *score.Folder, layer string, byDB float64) (db float64, err error) {
	err = changeLayer(f, layer, func(l *score.Layer) string {
		l.GainDB = math.Round(10*max(minFaderDB, min(maxFaderDB, l.GainDB+byDB))) / 10
		db = l.GainDB
		return fmt.Sprintf("fader of %s at %.1f dB", layer, db)
	})
	return db, err
}

// MovePan moves a layer between left (-1) and right (1), and reports where it
// stands.
func MovePan(f *score.Folder, layer string, by float64) (pan float64, err error) {
	err = changeLayer(f, layer, func(l *score.Layer) string {
		l.Pan = math.Round(100*max(-1, min(1, l.Pan+by))) / 100
		pan = l.Pan
		return fmt.Sprintf("%s placed at %.2f", layer, pan)
	})
	return pan, err
}

// ToggleMute leaves a layer out of the mix, or takes it in again, and reports
// whether it is out.
func ToggleMute(f *score.Folder, layer string) (out bool, err error) {
	err = changeLayer(f, layer, func(l *score.Layer) string {
		l.Mute = !l.Mute
		if out = l.Mute; out {
			return layer + " left out of the mix"
		}
		return layer + " taken into the mix"
	})
	return out, err
}

// AddLayer adds a layer without a part. Errors: Usage (a name that cannot
// stand), Conflict.
func AddLayer(f *score.Folder, name string) error {
	_, err := f.Edit("layer "+name+" added", func(s *score.Score) error {
		if err := score.CheckName(name); err != nil {
			return fault.New(fault.Usage, "").Because(err)
		}
		if s.Layer(name) != nil {
			return fault.New(fault.Conflict, "there is a layer %q already", name)
		}
		s.Layers = append(s.Layers, score.Layer{Name: name})
		return nil
	})
	return err
}

// MoveGroup moves the fader of a group by so many dB, and reports where it
// stands. Errors: Missing.
func MoveGroup(f *score.Folder, name string, byDB float64) (db float64, err error) {
	err = changeGroup(f, name, func(g *mix.Group) string {
		g.GainDB = math.Round(10*max(minFaderDB, min(maxFaderDB, g.GainDB+byDB))) / 10
		db = g.GainDB
		return fmt.Sprintf("fader of group %s at %.1f dB", name, db)
	})
	return db, err
}

// ToggleGroup leaves a group out of the mix, or takes it in again, and reports
// whether it is out. Errors: Missing.
func ToggleGroup(f *score.Folder, name string) (out bool, err error) {
	err = changeGroup(f, name, func(g *mix.Group) string {
		g.Mute = !g.Mute
		if out = g.Mute; out {
			return "group " + name + " left out of the mix"
		}
		return "group " + name + " taken into the mix"
	})
	return out, err
}

func changeGroup(f *score.Folder, name string, change func(*mix.Group) string) error {
	_, err := f.EditAs(func(s *score.Score) (string, error) {
		if err := checkGroup(s, name); err != nil {
			return "", err
		}
		return change(s.Desk.Group(name)), nil
	})
	return err
}

// RideFader writes down how a fader, of a layer or of a group, was ridden from
// one sample to another: each move is a place and the dB that the fader then
// has beside its own. A move takes DefaultGlideMilliseconds; before and after
// the stretch the fader moves as it did. Errors: Missing, Usage (a move outside
// the stretch).
func RideFader(f *score.Folder, name string, group bool, x Stretch, moves []mix.Knot) error {
	_, err := f.Edit("fader of "+name+" ridden", func(s *score.Score) error {
		to, err := faderOf(s, AutomateWish{Name: name, Group: group})
		if err != nil {
			return err
		}
		glide := int64(DefaultGlideMilliseconds * s.SampleRate / 1000)
		for _, m := range moves {
			if m.At < x.From || m.At > x.To {
				return fault.New(fault.Usage, "a move at sample %d lies outside %d to %d", m.At, x.From, x.To)
			}
		}
		*to = ridden(*to, x, moves, glide)
		return mix.Strip{Automation: *to}.Settings(s.SampleRate)
	})
	return err
}

// ridden is an automation with a stretch of it written anew.
func ridden(old mix.Automation, x Stretch, moves []mix.Knot, glide int64) mix.Automation {
	var out mix.Automation
	put := func(at int64, db float64) {
		if n := len(out); n > 0 && out[n-1].At >= at {
			at = out[n-1].At + 1
		}
		out = append(out, mix.Knot{At: at, DB: db})
	}
	for _, k := range old {
		if k.At < x.From {
			put(k.At, k.DB)
		}
	}
	now := FaderAt(old, x.From)
	put(x.From, now)
	for _, m := range moves {
		put(max(m.At-glide, x.From), now)
		now = m.DB
		put(m.At, now)
	}
	put(x.To, now)
	put(x.To+glide, FaderAt(old, x.To+glide))
	for _, k := range old {
		if k.At > x.To+glide {
			put(k.At, k.DB)
		}
	}
	return out
}

// FaderAt is where an automation has a fader at a sample, in dB beside its own.
func FaderAt(a mix.Automation, at int64) float64 {
	for i, k := range a {
		if k.At < at {
			continue
		}
		if i == 0 || k.At == at {
			return k.DB
		}
		b := a[i-1]
		return b.DB + (k.DB-b.DB)*float64(at-b.At)/float64(k.At-b.At)
	}
	if len(a) == 0 {
		return 0
	}
	return a[len(a)-1].DB
}

func changeLayer(f *score.Folder, name string, change func(*score.Layer) string) error {
	_, err := f.EditAs(func(s *score.Score) (string, error) {
		l, err := Layer(s, name)
		if err != nil {
			return "", err
		}
		return change(l), nil
	})
	return err
}
