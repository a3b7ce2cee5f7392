package job

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// What can be done to bars of the map; see ChangeBars.
const (
	BarsMetre  = "metre"
	BarsTempo  = "tempo"
	BarsInsert = "insert"
	BarsDelete = "delete"
)

// ChangeBars changes bars of the map, from the first to the last: their metre,
// such as 3/4, or their tempo in beats a minute, as text says; it puts a bar
// before the first, or takes them out. It says what it did. Errors: Usage, those
// of the map.
func ChangeBars(f *score.Folder, what string, from, to int, text string) (string, error) {
	text = strings.TrimSpace(text)
	bars := fmt.Sprintf("bar %d", from)
	if to > from {
		bars = fmt.Sprintf("bars %d to %d", from, to)
	}
	var label string
	var change func(*tempo.Grid) (tempo.Map, error)
	switch what {
	case BarsMetre:
		m, err := tempo.ParseMetre(text)
		if err != nil {
			return "", err
		}
		label, change = bars+" in "+m.String(), func(g *tempo.Grid) (tempo.Map, error) { return g.SetMetre(from, to, m) }
	case BarsTempo:
		bpm, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return "", fault.New(fault.Usage, "%q is not a tempo", text).Mended("give beats a minute, such as 84")
		}
		label, change = bars+" scaled", func(g *tempo.Grid) (tempo.Map, error) { return g.SetTempo(from, to, bpm) }
	case BarsInsert:
		label, change = fmt.Sprintf("1 bar inserted before bar %d", from), func(g *tempo.Grid) (tempo.Map, error) { return g.InsertBars(from, 1, tempo.Metre{}) }
	case BarsDelete:
		label, change = bars+" deleted", func(g *tempo.Grid) (tempo.Map, error) { return g.DeleteBars(from, to) }
	default:
		return "", fault.New(fault.Unexpected, "nobody does %q to bars", what)
	}
	_, err := EditMap(f, label, change)
	return label, err
}

// HoldNearest holds the beat nearest to a frame for so many frames beyond its
// length; 0 lets it go. It says what it did. Errors: Usage, those of the map.
func HoldNearest(f *score.Folder, frame int64, text string) (string, error) {
	frames, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
	if err != nil {
		return "", fault.New(fault.Usage, "%q is not a number of frames", text)
	}
	s, err := f.Load()
	if err != nil {
		return "", err
	}
	grid, err := Grid(s)
	if err != nil {
		return "", err
	}
	p := grid.PlaceOn(frame, tempo.LandsBeat)
	label := fmt.Sprintf("beat %d.%d held %d frames", p.Bar, p.Beat, frames)
	_, err = EditMap(f, label, func(g *tempo.Grid) (tempo.Map, error) { return g.Hold(p.Bar, p.Beat, frames) })
	return label, err
}
