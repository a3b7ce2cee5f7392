package score

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"github.com/pelletier/go-toml/v2"
)

// MaxFileBytes bounds score.toml.
const MaxFileBytes = 16 << 20

// The form of score.toml, apart from the model so that either can change.
type (
	fileScore struct {
		Version    int           `toml:"version"`
		Title      string        `toml:"title"`
		SampleRate int           `toml:"sample_rate"`
		Reference  fileReference `toml:"reference"`
		FirstShot  string        `toml:"first_shot,omitempty"`
		Cuts       []fileCut     `toml:"cuts,omitempty"`
		Withdrawn  []fileGone    `toml:"withdrawn,omitempty"`
		Hits       []fileHit     `toml:"hits,omitempty"`
		Taps       *fileTaps     `toml:"taps,omitempty"`
		Map        *fileMap      `toml:"map,omitempty"`
		Layers     []fileLayer   `toml:"layers,omitempty"`
		Groups     []fileGroup   `toml:"groups,omitempty"`
		Mix        *fileMix      `toml:"mix,omitempty"`
	}
	fileReference struct {
		Source  string        `toml:"source,omitempty"`
		Sound   string        `toml:"sound,omitempty"`
		Rate    timecode.Rate `toml:"rate"`
		Frames  int64         `toml:"frames"`
		Samples int64         `toml:"samples,omitempty"`
		Start   string        `toml:"start"`
	}
	fileHit struct {
		Frame     int64  `toml:"frame"`
		Weight    string `toml:"weight"` // must or want
		Tolerance int64  `toml:"tolerance"`
		Lands     string `toml:"lands"`
		Bar       int    `toml:"bar,omitempty"`
		Beat      int    `toml:"beat,omitempty"`
		Name      string `toml:"name,omitempty"`
	}
	fileMap struct {
		Style    string         `toml:"style"`
		Start    timecode.Ratio `toml:"start"`
		Pins     []filePin      `toml:"pins,omitempty"`
		Sections []fileSection  `toml:"sections"`
	}
	filePin struct {
		Bar   int   `toml:"bar"`
		Beat  int   `toml:"beat"`
		Frame int64 `toml:"frame"`
	}
	fileSection struct {
		Bars                int            `toml:"bars"`
		Metre               tempo.Metre    `toml:"metre"`
		FramesPerQuarter    timecode.Ratio `toml:"frames_per_quarter"`
		EndFramesPerQuarter timecode.Ratio `toml:"end_frames_per_quarter,omitempty"`
		Extra               timecode.Ratio `toml:"extra_quarters"`
		Hold                timecode.Ratio `toml:"hold_frames,omitempty"`
		Silent              bool           `toml:"silent,omitempty"`
	}
	fileLayer struct {
		Name   string   `toml:"name"`
		Group  string   `toml:"group,omitempty"`
		Use    string   `toml:"use,omitempty"`
		GainDB float64  `toml:"gain_db"`
		Pan    float64  `toml:"pan"`
		Mute   bool     `toml:"mute,omitempty"`
		Notes  []string `toml:"notes,multiline,omitempty"`

		Comp  []fileSpan `toml:"comp,inline,multiline,omitempty"`
		Takes []fileMark `toml:"takes,inline,multiline,omitempty"`

		Mends  []fileMend `toml:"mends,inline,multiline,omitempty"`
		Colour []string   `toml:"colour,multiline,omitempty"`

		fileStrip
	}
)

// Encode is the text of score.toml for s.
func Encode(s *Score) ([]byte, error) {
	f := fileScore{Version: Version, Title: s.Title, SampleRate: s.SampleRate, Reference: fileReference{
		Source: s.Reference.Source, Sound: s.Reference.Sound, Rate: s.Reference.Rate, Frames: s.Reference.Frames,
		Samples: s.Reference.Samples, Start: s.Reference.Rate.Timecode(s.Reference.Start)}}
	f.setCuts(s)
	for _, h := range s.Hits {
		weight := "want"
		if h.Must {
			weight = "must"
		}
		f.Hits = append(f.Hits, fileHit{h.Frame, weight, h.Tolerance, string(h.Lands), h.Bar, h.Beat, h.Name})
	}
	if len(s.Taps) > 0 {
		f.Taps = &fileTaps{s.Taps}
	}
	if m := s.Map; m != nil {
		f.Map = &fileMap{Style: string(m.Style), Start: m.Start}
		for _, x := range m.Pins {
			f.Map.Pins = append(f.Map.Pins, filePin(x))
		}
		for _, x := range m.Sections {
			f.Map.Sections = append(f.Map.Sections, fileSection{x.Bars, x.Metre, x.FramesPerQuarter, x.EndFramesPerQuarter, x.Extra, x.Hold, x.Silent})
		}
	}
	for _, l := range s.Layers {
		fl := fileLayer{Name: l.Name, Group: l.Group, Use: l.Use, GainDB: l.GainDB, Pan: l.Pan, Mute: l.Mute}
		for _, n := range l.Notes {
			fl.Notes = append(fl.Notes, n.String())
		}
		fl.setTakes(l)
		fl.setMends(l)
		fl.fileStrip.set(l.Strip)
		f.Layers = append(f.Layers, fl)
	}
	f.setDesk(s.Desk)
	var b bytes.Buffer
	enc := toml.NewEncoder(&b)
	enc.SetIndentTables(false)
	err := enc.Encode(f)
	return b.Bytes(), err
}

// Decode reads score.toml; file is its name for messages. What it returns has
// passed Validate.
func Decode(data []byte, file string) (s *Score, err error) {
	if len(data) > MaxFileBytes {
		return nil, fault.New(fault.OverLimit, "the score is larger than %d MiB", MaxFileBytes>>20).In(file, "")
	}
	defer func() { // the TOML reader is a stranger to hostile files
		if p := recover(); p != nil {
			s, err = nil, fault.New(fault.Malformed, "this is not readable TOML (%v)", p).In(file, "")
		}
	}()
	if err := checkVersion(data, file); err != nil {
		return nil, err
	}
	var f fileScore
	dec := toml.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return nil, tomlFault(err, file)
	}
	s, err = f.model()
	if err == nil {
		err = s.Validate()
	}
	if err != nil {
		return nil, fault.New(fault.Malformed, "").Because(err).In(file, "").Mended("mend that line, or take back an older copy of the file")
	}
	return s, nil
}

// checkVersion looks at the version alone first, so that a newer document is
// told as such and not as a heap of unknown keys.
func checkVersion(data []byte, file string) error {
	var v struct {
		Version *int `toml:"version"`
	}
	if err := toml.Unmarshal(data, &v); err != nil {
		return tomlFault(err, file)
	}
	switch {
	case v.Version == nil:
		return fault.New(fault.Malformed, "it has no version, so it may not be a score").In(file, "").
			Mended("a score starts with \"version = %d\"", Version)
	case *v.Version != Version:
		return fault.New(fault.Unsupported, "version %d is not known here (this program reads version %d)", *v.Version, Version).In(file, "version").
			Mended("open it with the program that wrote it, or a newer one")
	}
	return nil
}

func tomlFault(err error, file string) error {
	place, what := "", err.Error()
	var de *toml.DecodeError
	var strict *toml.StrictMissingError
	switch {
	case errors.As(err, &strict) && len(strict.Errors) > 0:
		row, _ := strict.Errors[0].Position()
		place, what = fmt.Sprintf("line %d", row), fmt.Sprintf("the key %q is not known", clip(strings.Join(strict.Errors[0].Key(), ".")))
	case errors.As(err, &de):
		row, col := de.Position()
		place, what = fmt.Sprintf("line %d, column %d", row, col), strings.TrimPrefix(de.Error(), "toml: ")
	}
	return fault.New(fault.Malformed, "%s", clipLine(what)).In(file, place).Mended("mend that line, or take back an older copy of the file")
}

func clipLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	if r := []rune(s); len(r) > 160 {
		s = string(r[:160]) + "…"
	}
	return strings.Map(func(c rune) rune {
		if c < ' ' || c == 0x7f {
			return '?'
		}
		return c
	}, s)
}

func (f *fileScore) model() (*Score, error) {
	s := &Score{Title: f.Title, SampleRate: f.SampleRate, Reference: Reference{Source: f.Reference.Source, Sound: f.Reference.Sound,
		Rate: f.Reference.Rate, Frames: f.Reference.Frames, Samples: f.Reference.Samples}}
	if err := s.Reference.Rate.Validate(); err != nil {
		return nil, fmt.Errorf("[reference]: %w", err)
	}
	start, err := s.Reference.Rate.ParseTimecode(f.Reference.Start)
	if err != nil {
		return nil, fmt.Errorf("[reference]: start: %w", err)
	}
	s.Reference.Start = start
	f.readCuts(s)
	for i, h := range f.Hits {
		if h.Weight != "must" && h.Weight != "want" {
			return nil, fmt.Errorf("[[hits]] %d: weight %q is not one of must, want", i+1, clip(h.Weight))
		}
		s.Hits = append(s.Hits, tempo.Hit{Frame: h.Frame, Must: h.Weight == "must", Tolerance: h.Tolerance,
			Lands: tempo.Lands(h.Lands), Bar: h.Bar, Beat: h.Beat, Name: h.Name})
	}
	if f.Taps != nil {
		s.Taps = f.Taps.Samples
	}
	if f.Map != nil {
		m := &tempo.Map{Style: tempo.Style(f.Map.Style), Start: f.Map.Start}
		for _, x := range f.Map.Pins {
			m.Pins = append(m.Pins, tempo.Pin(x))
		}
		for _, x := range f.Map.Sections {
			m.Sections = append(m.Sections, tempo.Section{Bars: x.Bars, Metre: x.Metre, FramesPerQuarter: x.FramesPerQuarter,
				EndFramesPerQuarter: x.EndFramesPerQuarter, Extra: x.Extra, Hold: x.Hold, Silent: x.Silent})
		}
		s.Map = m
	}
	for i, l := range f.Layers {
		ml := Layer{Name: l.Name, Group: l.Group, Use: l.Use, GainDB: l.GainDB, Pan: l.Pan, Mute: l.Mute}
		for j, text := range l.Notes {
			n, err := part.ParseNote(text)
			if err != nil {
				return nil, fmt.Errorf("[[layers]] %d: note %d: %w", i+1, j+1, err)
			}
			ml.Notes = append(ml.Notes, n)
		}
		l.readTakes(&ml)
		l.readMends(&ml)
		var err error
		if ml.Strip, err = l.fileStrip.read(); err != nil {
			return nil, fmt.Errorf("[[layers]] %d: %w", i+1, err)
		}
		s.Layers = append(s.Layers, ml)
	}
	s.Desk, err = f.readDesk()
	return s, err
}

// checkPath refuses a path that leaves the folder or names it absolutely.
func checkPath(p string) error {
	if err := checkText(p, 4096); err != nil {
		return err
	}
	if strings.Contains(p, "\\") || !filepath.IsLocal(filepath.FromSlash(p)) {
		return fmt.Errorf("the path %q leaves the score's folder", clip(p))
	}
	return nil
}
