package cutlist

import (
	"encoding/json"
	"io"
	"strconv"

	"cuechoir/engine/timecode"
)

// The objects that are written, at the schema versions that every reader
// knows (Clip.1 is taken in by readers of Clip.2). Source: the project's page
// «Serialized Data».
type (
	otioTime struct {
		Schema string      `json:"OTIO_SCHEMA"` // RationalTime.1
		Rate   json.Number `json:"rate"`
		Value  int64       `json:"value"`
	}
	otioRange struct {
		Schema   string   `json:"OTIO_SCHEMA"` // TimeRange.1
		Duration otioTime `json:"duration"`
		Start    otioTime `json:"start_time"`
	}
	otioMarker struct {
		Schema   string    `json:"OTIO_SCHEMA"` // Marker.2
		Metadata struct{}  `json:"metadata"`
		Name     string    `json:"name"`
		Color    string    `json:"color"`
		Range    otioRange `json:"marked_range"`
	}
	otioMedia struct {
		Schema   string    `json:"OTIO_SCHEMA"` // MissingReference.1
		Metadata struct{}  `json:"metadata"`
		Name     string    `json:"name"`
		Range    otioRange `json:"available_range"`
	}
	otioItem struct { // Clip.1, Gap.1, Track.1, Stack.1
		Schema   string                   `json:"OTIO_SCHEMA"`
		Metadata map[string]*otioMetadata `json:"metadata"`
		Name     string                   `json:"name"`
		Range    *otioRange               `json:"source_range"`
		Effects  []struct{}               `json:"effects"`
		Markers  []otioMarker             `json:"markers"`
		Enabled  bool                     `json:"enabled"`
		Media    *otioMedia               `json:"media_reference,omitempty"`
		Kind     string                   `json:"kind,omitempty"`
		Children *[]any                   `json:"children,omitempty"`
	}
	otioTransition struct {
		Schema   string                   `json:"OTIO_SCHEMA"` // Transition.1
		Metadata map[string]*otioMetadata `json:"metadata"`
		Name     string                   `json:"name"`
		In       otioTime                 `json:"in_offset"`
		Out      otioTime                 `json:"out_offset"`
		Type     string                   `json:"transition_type"`
	}
	otioTimeline struct {
		Schema   string   `json:"OTIO_SCHEMA"` // Timeline.1
		Metadata struct{} `json:"metadata"`
		Name     string   `json:"name"`
		Start    otioTime `json:"global_start_time"`
		Tracks   otioItem `json:"tracks"`
	}
	otioMetadata struct {
		Kind       Kind     `json:"kind,omitempty"`
		Frames     *int64   `json:"frames,omitempty"`
		Confidence *float64 `json:"confidence,omitempty"`
		Hand       bool     `json:"hand,omitempty"`
		Name       *string  `json:"name,omitempty"`
	}
)

// writeOTIO writes a Timeline with one video track: a clip a shot, its source
// the reference itself, and a gap where the picture has faded out. A
// transition stands at the first mixed frame, its out_offset its length.
func writeOTIO(w io.Writer, l List, a Axis) error {
	spans, begun := layOut(l.Cuts, a.Frames)
	if len(spans) > 0 && spans[0].into != nil { // a track does not begin with a transition
		spans = append([]span{{black: true}}, spans...)
		begun = append([]*Cut{nil}, begun...)
	}
	for i := range spans {
		if spans[i].black {
			spans[i].name = "" // a gap's name names no shot
		}
	}
	markCarried(spans, begun)
	o := otioWriter{a: a, rate: rateNumber(a.Rate)}
	children := []any{}
	for _, s := range spans {
		children = append(children, o.items(s)...)
	}
	markers := []otioMarker{}
	for _, m := range l.Markers {
		markers = append(markers, otioMarker{Schema: "Marker.2", Name: m.Name, Color: "GREEN", Range: o.span(m.Frame, 0)})
	}
	track := o.item("Track.1", "picture", nil, carried{})
	track.Kind, track.Children = "Video", &children
	stack := o.item("Stack.1", "tracks", nil, carried{})
	stack.Children, stack.Markers = &[]any{track}, markers
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(otioTimeline{Schema: "Timeline.1", Name: l.Title, Start: o.time(a.Start), Tracks: stack})
}

type otioWriter struct {
	a    Axis
	rate json.Number
}

// rateNumber is a rate as files hold it: whole, or the nearest double.
func rateNumber(r timecode.Rate) json.Number {
	return json.Number(strconv.FormatFloat(r.Float(), 'f', -1, 64))
}

func (o otioWriter) time(frames int64) otioTime { return otioTime{"RationalTime.1", o.rate, frames} }

func (o otioWriter) span(start, frames int64) otioRange {
	return otioRange{"TimeRange.1", o.time(frames), o.time(start)}
}

func (o otioWriter) item(schema, name string, rng *otioRange, k carried) otioItem {
	return otioItem{Schema: schema, Metadata: metadataOf(k), Name: name, Range: rng, Effects: []struct{}{}, Markers: []otioMarker{}, Enabled: true}
}

// items are the transition into a span and its clip or gap.
func (o otioWriter) items(s span) []any {
	var out []any
	k := s.carried
	if s.into != nil {
		kind, name := "SMPTE_Dissolve", "Dissolve"
		if s.into.wipe {
			kind, name = "SMPTE_Wipe", "Wipe"
		}
		out = append(out, otioTransition{"Transition.1", metadataOf(k), name, o.time(0), o.time(s.into.to - s.into.from), kind})
		k = carried{}
	}
	if s.black {
		rng := o.span(0, s.end-s.at)
		return append(out, o.item("Gap.1", "", &rng, k))
	}
	rng := o.span(o.a.Start+s.at, s.end-s.at)
	clip := o.item("Clip.1", s.name, &rng, k)
	clip.Media = &otioMedia{Schema: "MissingReference.1", Name: "reference", Range: o.span(o.a.Start, o.a.Frames)}
	return append(out, clip)
}

func metadataOf(k carried) map[string]*otioMetadata {
	if k.empty() {
		return map[string]*otioMetadata{}
	}
	return map[string]*otioMetadata{ourMetadata: {k.kind, k.frames, k.confidence, k.hand, k.name}}
}
