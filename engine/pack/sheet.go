package pack

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"

	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// Sheet is what is kept of a pack that went out, beside the score: all that is
// needed to place what comes back, whatever the score has become since.
type Sheet struct {
	Version int          `json:"version"` // 1
	Layer   string       `json:"layer"`
	Layout  Layout       `json:"layout"`
	Sound   tempo.Sound  `json:"sound"` // of the click
	CountIn tempo.Sound  `json:"count_in_sound,omitempty"`
	Clicks  []SheetClick `json:"clicks"`
	Notes   []Note       `json:"notes"`
}

// SheetClick is one click that went out.
type SheetClick struct {
	Sample  int64 `json:"sample"`
	Part    int   `json:"part,omitempty"`
	Accent  bool  `json:"accent,omitempty"`
	CountIn bool  `json:"count_in,omitempty"`
}

// Bounds of a sheet, which may come with a stranger's score.
const (
	sheetVersion  = 1
	MaxSheetBytes = 8 << 20 // of its text
	maxEvents     = 20000   // clicks, and notes
)

// NewSheet keeps what went out.
func NewSheet(layer string, l Layout, clicks []tempo.Click, o tempo.ClickOptions, notes []Note) Sheet {
	s := Sheet{Version: sheetVersion, Layer: layer, Layout: l, Sound: o.Sound, CountIn: o.CountIn, Clicks: []SheetClick{}, Notes: append([]Note{}, notes...)}
	for _, c := range clicks {
		s.Clicks = append(s.Clicks, SheetClick{c.Sample, c.Part, c.Accent, c.CountIn})
	}
	return s
}

// Encode is the sheet's text. Errors: OverLimit for a map of too many clicks.
func (s Sheet) Encode() ([]byte, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	b, err := json.Marshal(s)
	if err != nil {
		return nil, fault.New(fault.Unexpected, "writing down the pack").Because(err)
	}
	return append(b, '\n'), nil
}

// DecodeSheet reads a sheet's text; name is for errors. Errors: Malformed,
// OverLimit, Unsupported.
func DecodeSheet(text []byte, name string) (Sheet, error) {
	const mend = "make the pack again: cuechoir pack LAYER"
	if len(text) > MaxSheetBytes {
		return Sheet{}, fault.New(fault.OverLimit, "what is kept of a pack has at most %d bytes", MaxSheetBytes).In(name, "").Mended(mend)
	}
	var s Sheet
	d := json.NewDecoder(bytes.NewReader(text))
	if err := d.Decode(&s); err != nil {
		return Sheet{}, fault.New(fault.Malformed, "this is not what is kept of a pack").In(name, fmt.Sprintf("byte %d", d.InputOffset())).Because(err).Mended(mend)
	}
	if err := s.check(); err != nil {
		return Sheet{}, err.In(name, "").Mended(mend)
	}
	return s, nil
}

func (s Sheet) check() *fault.Error {
	if s.Version != sheetVersion {
		return fault.New(fault.Unsupported, "version %d is not known", s.Version)
	}
	if err := s.Layout.Validate(); err != nil {
		return fault.New(fault.KindOf(err), "the layout").Because(err)
	}
	if err := (tempo.ClickOptions{Sound: s.Sound, CountIn: s.CountIn}).Validate(); err != nil {
		return fault.New(fault.Malformed, "the click").Because(err)
	}
	if len(s.Clicks) > maxEvents || len(s.Notes) > maxEvents {
		return fault.New(fault.OverLimit, "%d clicks and %d notes; at most %d of either", len(s.Clicks), len(s.Notes), maxEvents)
	}
	last := int64(math.MinInt64)
	for i, c := range s.Clicks {
		if c.Sample < last || c.Sample < -maxSpan || c.Sample > maxSpan {
			return fault.New(fault.Malformed, "click %d, at sample %d, is out of order or range", i+1, c.Sample)
		}
		last = c.Sample
	}
	for i, n := range s.Notes {
		if n.Sample < -maxSpan || n.Sample > maxSpan || n.Key < 0 || n.Key > 127 {
			return fault.New(fault.Malformed, "note %d, key %d at sample %d, is out of range", i+1, n.Key, n.Sample)
		}
	}
	return nil
}

// Sent is what a recording is held against. Spoken numbers are left out: a
// voice is not told from a voice.
func (s Sheet) Sent() (Sent, error) {
	out := Sent{Layout: s.Layout, Notes: s.Notes}
	type key struct {
		sound  tempo.Sound
		accent bool
	}
	known := map[key]int{}
	for _, c := range s.Clicks {
		k := key{s.Sound, c.Accent}
		if c.CountIn && s.CountIn != "" {
			k.sound = s.CountIn
		}
		if k.sound == tempo.SoundSpoken {
			if c.Part == 0 {
				continue
			}
			k.sound = tempo.SoundSoft
		}
		i, ok := known[k]
		if !ok {
			x, err := tempo.RenderClick([]tempo.Click{{Accent: k.accent}}, 0, ShapeRate/10, ShapeRate, tempo.ClickOptions{Sound: k.sound})
			if err != nil {
				return out, err
			}
			shape := make([]float64, len(x))
			for j, v := range x {
				shape[j] = float64(v)
			}
			i = len(out.Shapes)
			known[k], out.Shapes = i, append(out.Shapes, shape)
		}
		out.Clicks = append(out.Clicks, Click{c.Sample, i})
	}
	return out, nil
}
