package job

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// EditMap changes the score's map by hand; label names the change in the
// history. The map has to be there.
func EditMap(f *score.Folder, label string, change func(*tempo.Grid) (tempo.Map, error)) (*score.Score, error) {
	return f.Edit(label, func(s *score.Score) error {
		grid, err := Grid(s)
		if err != nil {
			return err
		}
		m, err := change(grid)
		if err != nil {
			return err
		}
		s.Map = &m
		return nil
	})
}

// MapForms are the forms in which a map goes out.
var MapForms = []string{"mid", "csv"}

// ExportMap is the score's map as a file: mid is a Standard MIDI File of type
// 1 with tempo, metre and markers: where it begins, the picture's start, cuts
// and hits; csv is the table of bars. An empty form is told by the file's name.
func ExportMap(s *score.Score, form, name string) ([]byte, error) {
	grid, err := Grid(s)
	if err != nil {
		return nil, err
	}
	if form == "" {
		form = strings.TrimPrefix(strings.ToLower(filepath.Ext(name)), ".")
	}
	var b bytes.Buffer
	switch form {
	case "mid", "midi":
		c := part.ConductorOf(grid, s.Title, mapMarks(s))
		_, from := part.Origin(grid)
		c.Markers = append([]part.Marker{{At: timecode.Int(0), Text: beginsMark + from.String()}}, c.Markers...)
		err = part.WriteSMF(&b, nil, c)
	case "csv":
		err = grid.WriteBars(&b, s.SampleRate, s.Reference.Start)
	default:
		err = fault.New(fault.Usage, "%q is not a form in which a map goes out", form).Mended("choose one of %s", strings.Join(MapForms, ", "))
	}
	return b.Bytes(), err
}

// mapMarks are the picture's start, its cuts and the hits.
func mapMarks(s *score.Score) []part.FrameMark {
	marks := []part.FrameMark{{Frame: 0, Text: "picture " + s.Reference.Rate.Timecode(s.Reference.Start)}}
	add := func(frame int64, kind, name string) {
		if name != "" {
			kind += ": " + name
		}
		marks = append(marks, part.FrameMark{Frame: frame, Text: kind})
	}
	for _, c := range s.Cuts {
		kind := string(c.Kind)
		if c.Kind == cutlist.HardCut {
			kind = "cut"
		}
		add(c.Frame, kind, c.Name)
	}
	for _, h := range s.Hits {
		kind := "hit, want"
		if h.Must {
			kind = "hit, must"
		}
		add(h.Frame, kind, h.Name)
	}
	return marks
}

// beginsMark begins the marker that says on which frame the file begins.
const beginsMark = "begins at frame "

// ImportMap stores the tempos and metres of a Standard MIDI File as the map.
// The frame on which the file begins is start, or what its own marker says, or
// 0. The strings are remarks for the person.
func ImportMap(f *score.Folder, r io.Reader, name string, start *int64) (*score.Score, []string, error) {
	var notes []string
	s, err := f.Edit("map imported from "+filepath.Base(name), func(s *score.Score) error {
		at := timecode.Int(0)
		if start != nil {
			at = timecode.Int(*start)
		}
		m, marks, remarks, err := part.ReadMap(r, name, s.Reference.Rate, at)
		if err != nil {
			return err
		}
		notes = remarks
		if start == nil {
			m.Start = beginsAt(marks)
		}
		if s.Map != nil && len(s.Map.Pins) > 0 {
			notes = append(notes, fmt.Sprintf("the beats that were pinned (%d) are pinned no more: this is another map", len(s.Map.Pins)))
		}
		s.Map = &m
		return nil
	})
	return s, notes, err
}

func beginsAt(marks []part.Marker) timecode.Ratio {
	for _, x := range marks {
		if text, ok := strings.CutPrefix(x.Text, beginsMark); ok {
			if at, err := timecode.ParseRatio(text); err == nil {
				return at
			}
		}
	}
	return timecode.Int(0)
}
