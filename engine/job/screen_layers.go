package job

import (
	"fmt"
	"math"

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
