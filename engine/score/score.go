// Package score is the document: one folder that holds score.toml (readable,
// versioned), reference/, takes/ and bounces/. It loads, validates and saves;
// it knows no sound device and no screen. Every edit is a value in
// score.toml; sound is never changed in place.
package score

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
)

// Version of the document that this program writes and reads.
const Version = 1

// DefaultSampleRate in Hz of a new score.
const DefaultSampleRate = 48000

// SampleRates, in Hz, that a score may have.
var SampleRates = []int{44100, 48000, 96000}

// Bounds of a document. A stranger's file beyond them is refused.
const (
	MaxFrames   = 24 * 3600 * 120 // a day at 120 frames a second
	maxCuts     = 100_000
	maxHits     = 10_000
	maxLayers   = 1_000
	maxNotes    = 100_000
	maxNameLen  = 64
	maxTitleLen = 200

	maxTolerance = 1000
	maxBar       = 10_000
	maxBeat      = 64
)

// Score is the whole document in memory. The zero value is not valid; see
// Validate.
type Score struct {
	Title      string
	SampleRate int // Hz: 44100, 48000 or 96000
	Reference  Reference
	FirstShot  string        // the name of shot 1, which no cut begins
	Cuts       []cutlist.Cut // in order of frame
	Withdrawn  []Withdrawn   // in order of frame
	Hits       []tempo.Hit   // in order of frame
	Taps       []int64       // where a person tapped the beat, as it was tapped: samples of the timeline, in order
	Map        *tempo.Map    // nil until solved
	Layers     []Layer
	Desk       Desk // how the layers are mixed
}

// Reference is what the music must fit.
type Reference struct {
	Source  string        // the base name of the file it was made from, for the reader
	Sound   string        // its sound, a path inside the folder, or "" when it has none
	Rate    timecode.Rate //
	Frames  int64         // length; the last frame may be part-filled when Samples is set
	Samples int64         // exact length of a reference that is sound alone; 0: Frames decide
	Start   int64         // time code of frame 0, as a frame count from 00:00:00:00
}

// Withdrawn is a change of picture that was found and that a person moved or
// took away: when cuts are found again it does not come back.
type Withdrawn struct {
	Frame, End int64 // where it was found, as in a cut
	Moved      bool  // it was moved ...
	To         int64 // ... and stands at this frame now
}

// Layer is one line as sung.
type Layer struct {
	Name   string // letters, digits, - and _
	Group  string // the bus it shares, or ""
	Notes  []part.Note
	Use    string  // the take in use, or "" for the newest
	Comp   []Span  // what other takes sound for, in order and apart
	Marks  []Mark  // what is said of takes, in their order
	GainDB float64 // fader
	Pan    float64 // -1 left to 1 right
	Strip  LayerStrip
	Mute   bool
	Mends  []Mend   // edits of what was sung, the later over the earlier
	Colour []string // what the voice becomes: a processor a line, in their order
}

// Length is the reference's exact length in samples: what a bounce lasts.
func (s *Score) Length() int64 {
	if s.Reference.Samples > 0 {
		return s.Reference.Samples
	}
	return s.Reference.Rate.SampleOf(s.Reference.Frames, s.SampleRate)
}

// Axis is the ruler on which frames, time codes and seconds are read.
func (s *Score) Axis() cutlist.Axis {
	return cutlist.Axis{Rate: s.Reference.Rate, Start: s.Reference.Start, Frames: s.Reference.Frames}
}

// Layer finds a layer by name; nil when there is none.
func (s *Score) Layer(name string) *Layer {
	for i := range s.Layers {
		if s.Layers[i].Name == name {
			return &s.Layers[i]
		}
	}
	return nil
}

// Validate reports the first value that cannot stand, as "place: reason".
func (s *Score) Validate() error {
	if err := checkText(s.Title, maxTitleLen); err != nil {
		return fmt.Errorf("title: %w", err)
	}
	if !slices.Contains(SampleRates, s.SampleRate) {
		return fmt.Errorf("sample_rate: %d Hz is not one of %v", s.SampleRate, SampleRates)
	}
	if err := s.Reference.validate(s.SampleRate); err != nil {
		return fmt.Errorf("[reference]: %w", err)
	}
	if err := s.validateCuts(); err != nil {
		return err
	}
	if err := s.validateHits(); err != nil {
		return err
	}
	if err := s.validateTaps(); err != nil {
		return err
	}
	if s.Map != nil {
		if err := s.Map.Validate(); err != nil {
			return fmt.Errorf("[map]: %w", err)
		}
		if _, err := tempo.NewGrid(*s.Map, s.Reference.Rate, s.Reference.Frames); err != nil {
			return fmt.Errorf("[map]: %w", err)
		}
	}
	if err := s.validateLayers(); err != nil {
		return err
	}
	return s.validateDesk()
}

func (r Reference) validate(sampleRate int) error {
	if err := r.Rate.Validate(); err != nil {
		return err
	}
	if r.Frames <= 0 || r.Frames > MaxFrames {
		return fmt.Errorf("frames: a length of %d frames is outside 1 to %d", r.Frames, MaxFrames)
	}
	last, end := r.Rate.SampleOf(r.Frames-1, sampleRate), r.Rate.SampleOf(r.Frames, sampleRate)
	if r.Samples != 0 && (r.Samples <= last || r.Samples > end) {
		return fmt.Errorf("samples: %d does not fit %d frames, which last %d samples", r.Samples, r.Frames, end)
	}
	if r.Start < 0 || r.Start >= r.Rate.DayFrames() {
		return fmt.Errorf("start: the start time code is outside 24 hours")
	}
	if err := checkText(r.Source, maxTitleLen); err != nil {
		return fmt.Errorf("source: %w", err)
	}
	if r.Sound == "" {
		return nil
	}
	if err := checkPath(r.Sound); err != nil {
		return fmt.Errorf("sound: %w", err)
	}
	return nil
}

func (s *Score) validateCuts() error {
	if len(s.Cuts) > maxCuts {
		return fmt.Errorf("[[cuts]]: more than %d", maxCuts)
	}
	for i, c := range s.Cuts {
		place := fmt.Sprintf("[[cuts]] %d", i+1)
		if err := c.Validate(s.Reference.Frames); err != nil {
			return fmt.Errorf("%s: %w", place, err)
		}
		if i > 0 && c.Frame <= s.Cuts[i-1].Frame {
			return fmt.Errorf("%s: frame %d does not come after %d", place, c.Frame, s.Cuts[i-1].Frame)
		}
		if err := checkText(c.Name, maxTitleLen); err != nil {
			return fmt.Errorf("%s: name: %w", place, err)
		}
	}
	if err := checkText(s.FirstShot, maxTitleLen); err != nil {
		return fmt.Errorf("first_shot: %w", err)
	}
	return s.validateWithdrawn()
}

func (s *Score) validateWithdrawn() error {
	if len(s.Withdrawn) > maxCuts {
		return fmt.Errorf("[[withdrawn]]: more than %d", maxCuts)
	}
	frames := s.Reference.Frames
	for i, w := range s.Withdrawn {
		place := fmt.Sprintf("[[withdrawn]] %d", i+1)
		switch {
		case w.Frame < 0 || w.Frame >= frames || w.Moved && (w.To < 0 || w.To >= frames):
			return fmt.Errorf("%s: a frame is outside the reference (0 to %d)", place, frames-1)
		case w.End < w.Frame || w.End > frames:
			return fmt.Errorf("%s: end %d is not between %d and %d", place, w.End, w.Frame, frames)
		case i > 0 && w.Frame <= s.Withdrawn[i-1].Frame:
			return fmt.Errorf("%s: frame %d does not come after %d", place, w.Frame, s.Withdrawn[i-1].Frame)
		}
	}
	return nil
}

func (s *Score) validateHits() error {
	if len(s.Hits) > maxHits {
		return fmt.Errorf("[[hits]]: more than %d", maxHits)
	}
	for i, h := range s.Hits {
		place := fmt.Sprintf("[[hits]] %d", i+1)
		switch {
		case h.Frame < 0 || h.Frame >= s.Reference.Frames:
			return fmt.Errorf("%s: frame %d is outside the reference (0 to %d)", place, h.Frame, s.Reference.Frames-1)
		case i > 0 && h.Frame <= s.Hits[i-1].Frame:
			return fmt.Errorf("%s: frame %d does not come after %d", place, h.Frame, s.Hits[i-1].Frame)
		case h.Tolerance < 0 || h.Tolerance > maxTolerance:
			return fmt.Errorf("%s: a tolerance of %d frames is outside 0 to %d", place, h.Tolerance, maxTolerance)
		case h.Lands != tempo.LandsBar && h.Lands != tempo.LandsBeat && h.Lands != tempo.LandsHalf:
			return fmt.Errorf("%s: lands %q is not one of bar, beat, half", place, h.Lands)
		case h.Bar < 0 || h.Bar > maxBar || h.Beat < 0 || h.Beat > maxBeat:
			return fmt.Errorf("%s: bar %d beat %d is out of range", place, h.Bar, h.Beat)
		}
		if err := checkText(h.Name, maxTitleLen); err != nil {
			return fmt.Errorf("%s: name: %w", place, err)
		}
	}
	return nil
}

func (s *Score) validateLayers() error {
	if len(s.Layers) > maxLayers {
		return fmt.Errorf("[[layers]]: more than %d", maxLayers)
	}
	seen := map[string]bool{}
	for i, l := range s.Layers {
		place := fmt.Sprintf("[[layers]] %d", i+1)
		if err := CheckName(l.Name); err != nil {
			return fmt.Errorf("%s: name: %w", place, err)
		}
		if seen[strings.ToLower(l.Name)] { // two names must not share a folder anywhere
			return fmt.Errorf("%s: the name %q is used twice", place, l.Name)
		}
		seen[strings.ToLower(l.Name)] = true
		if err := l.validate(); err != nil {
			return fmt.Errorf("%s (%s): %w", place, l.Name, err)
		}
		if err := l.Strip.validate(s.SampleRate); err != nil {
			return fmt.Errorf("%s (%s): %w", place, l.Name, err)
		}
	}
	return nil
}

func (l Layer) validate() error {
	if l.Group != "" {
		if err := CheckName(l.Group); err != nil {
			return fmt.Errorf("group: %w", err)
		}
	}
	if l.Use != "" {
		if err := CheckName(l.Use); err != nil {
			return fmt.Errorf("use: %w", err)
		}
	}
	if err := checkFader(l.GainDB); err != nil {
		return err
	}
	if !(l.Pan >= -1 && l.Pan <= 1) {
		return fmt.Errorf("pan: %g is outside -1 (left) to 1 (right)", l.Pan)
	}
	if len(l.Notes) > maxNotes {
		return fmt.Errorf("notes: more than %d", maxNotes)
	}
	if err := l.validateTakes(); err != nil {
		return err
	}
	if err := l.validateMends(); err != nil {
		return err
	}
	p := part.Part{Name: l.Name, Notes: l.Notes}
	return p.Validate()
}

// CheckName reports why a word cannot name a layer, a group or a take: they
// name folders, so they hold ASCII letters, digits, - and _ alone, start with
// a letter or digit, and are at most 64 long.
func CheckName(name string) error {
	if name == "" || len(name) > maxNameLen {
		return fmt.Errorf("a name has 1 to %d letters", maxNameLen)
	}
	for i, c := range name {
		word := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !word && (i == 0 || c != '-' && c != '_') {
			return fmt.Errorf("%q cannot be a name: use letters, digits, - and _, and start with a letter or digit", clip(name))
		}
	}
	return nil
}

// checkText refuses what could garble a terminal or a file.
func checkText(s string, most int) error {
	if len(s) > most {
		return fmt.Errorf("the text is longer than %d bytes", most)
	}
	if !utf8.ValidString(s) {
		return fmt.Errorf("the text is not UTF-8")
	}
	for _, c := range s {
		if unicode.IsControl(c) || unicode.Is(unicode.Bidi_Control, c) {
			return fmt.Errorf("the text holds a control character")
		}
	}
	return nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
