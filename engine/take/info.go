// Package take keeps takes: immutable recordings of one voice. A take is two
// files in the score's folder, the sound takes/<layer>/<id>.wav (mono, 24
// bits) and beside it <id>.json, which says where the sound belongs and how
// it came about.
//
// Nothing sung is lost: the sound goes to the file as it comes and to the
// disk twice a second; a take that was cut off (a crash, a kill, a power cut)
// is found and mended by Recover. Nothing is ever written over.
package take

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// State is how far a take has come.
type State string

const (
	Recording State = "recording" // being written, or cut off
	Whole     State = "whole"     // ended as it should
	Recovered State = "recovered" // was cut off, and mended
)

// RoundTripKnown says where the round trip of a take comes from.
type RoundTripKnown string

const (
	Measured    RoundTripKnown = "measured"
	Typed       RoundTripKnown = "typed"
	AssumedZero RoundTripKnown = "assumed-zero"
	ByEar       RoundTripKnown = "heard"   // the program's own sound was found in the input
	Unknown     RoundTripKnown = "unknown" // the sidecar was lost; the place is a guess
)

// Dropout is a span of the take, in its own samples from 0.
type Dropout struct {
	Sample int64 `json:"sample"`
	Length int64 `json:"length"`
}

// Heard is the program's own sound, as the click is, found in the input: the
// quiet check of a take's place.
type Heard struct {
	Lag     int64   `json:"lag"`      // samples later than by the round trip that was known before
	LevelDB float64 `json:"level_db"` // of the way from the output to the take
}

// Rate is another rate than the device said: what it was by the clock, and from
// which of the take's samples on, to about half a second.
type Rate struct {
	Hz     float64 `json:"hz"`
	Sample int64   `json:"sample"`
}

// Span is a stretch of a take, in its own samples from 0.
type Span struct {
	Sample int64 `json:"sample"`
	Length int64 `json:"length"`
}

// Info is what is known of a take; it is the sidecar.
type Info struct {
	Version    int    `json:"version"` // 1
	ID         string `json:"id"`
	Layer      string `json:"layer"`
	Start      int64  `json:"start"` // timeline sample of the take's sample 0; may be negative
	SampleRate int    `json:"sample_rate"`
	Frames     int64  `json:"frames"` // samples in the take; a lower bound while recording

	Device         string         `json:"device"` // as the sound system names it
	Input          string         `json:"input"`  // which input of it, for people
	RoundTrip      int64          `json:"round_trip"`
	RoundTripKnown RoundTripKnown `json:"round_trip_known"`

	// Dropouts are spans where the input was lost: silence stands for them.
	Dropouts []Dropout `json:"dropouts,omitempty"`
	// Unheard are spans where the singer heard silence since the monitor came late.
	Unheard []Dropout `json:"unheard,omitempty"`
	// Useful is what was punched in: what lies around it are handles. nil: all
	// of the take. A take that ended early may end inside it: see Wanted.
	Useful *Span `json:"useful,omitempty"`
	// Slipped is by how many samples the device had lost its count when the
	// take ended, negative for too few: from somewhere on, the take lies out of
	// place by about as much.
	Slipped int64 `json:"slipped,omitempty"`

	// Rate is set when the device delivered at another rate than it said.
	Rate *Rate `json:"device_rate,omitempty"`
	// Heard is nil when none of the program's own sound was found.
	Heard *Heard `json:"heard,omitempty"`

	// Elsewhere is set for a recording that was made elsewhere.
	Elsewhere *Elsewhere `json:"elsewhere,omitempty"`

	State   State     `json:"state"`
	Stopped string    `json:"stopped,omitempty"` // why it ended before its time, in words
	Created time.Time `json:"created"`
	Peak    float64   `json:"peak"` // largest absolute sample, 1 = full scale
	// Checksum is CRC-32C over the first Frames samples as stored (24-bit
	// little-endian): the polynomial of RFC 3720, appendix B.4.
	Checksum uint32 `json:"crc32c"`
}

// Bounds on a sidecar, which may come from a stranger.
const (
	infoVersion     = 1
	maxSidecarBytes = 4 << 20
	maxNameBytes    = 64
	maxTextBytes    = 1024
	maxDropouts     = 4096
	maxFrames       = 1 << 47 // 93 years at 48 kHz; sums stay far inside int64
	maxStart        = 1 << 52
)

// WAVName and sidecarName are a take's files in its layer's folder.
func wavName(id string) string     { return id + ".wav" }
func sidecarName(id string) string { return id + ".json" }

// place is the name of a take's file for people: takes/<layer>/<name>.
func place(layer, name string) string { return takesFolder + "/" + layer + "/" + name }

const takesFolder = "takes"

// CheckLayer says whether a layer may be called so: 1 to 64 ASCII letters,
// digits, - and _, so that it is a folder on every system.
func CheckLayer(name string) error {
	if name == "" || len(name) > maxNameBytes {
		return fault.New(fault.Usage, "a layer's name has 1 to %d characters", maxNameBytes)
	}
	for _, c := range name {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		if !letter && !(c >= '0' && c <= '9') && c != '-' && c != '_' {
			return fault.New(fault.Usage, "the layer's name %q holds %q", name, c).
				Mended("use letters, digits, - and _ only")
		}
	}
	return nil
}

// checkID says whether a take may be called so: 1 to 9 digits.
func checkID(id string) error {
	if len(id) < 1 || len(id) > 9 {
		return fault.New(fault.Usage, "%q is no take: takes are numbered, as 001", id)
	}
	for _, c := range id {
		if c < '0' || c > '9' {
			return fault.New(fault.Usage, "%q is no take: takes are numbered, as 001", id)
		}
	}
	return nil
}

func idOf(number int) string { return fmt.Sprintf("%03d", number) }

func numberOf(id string) int {
	n, _ := strconv.Atoi(id)
	return n
}

// heardInPlace is how late, in seconds, the program's own sound may be heard for
// a take that lies in its place: 0.7 m of air from the headphones.
const heardInPlace = 0.002

// Astray says whether own sound was heard out of its place, at a sample rate.
func (h Heard) Astray(sampleRate int) bool {
	slack := int64(heardInPlace * float64(sampleRate))
	return h.Lag < -slack || h.Lag > slack
}

// HeardAstray says that own sound was heard out of its place, and the take was
// not moved there: a person had typed the round trip.
func (i Info) HeardAstray() bool {
	return i.Heard != nil && i.RoundTripKnown != ByEar && i.Heard.Astray(i.SampleRate)
}

// End is the timeline sample after the take's last.
func (i Info) End() int64 { return i.Start + i.Frames }

// Wanted is the stretch of the timeline that the take was made for: its useful
// span, as far as there are samples, or all of it. to is left out; from equals
// to when the take ended before its span began.
func (i Info) Wanted() (from, to int64) {
	if i.Useful == nil {
		return i.Start, i.End()
	}
	from = i.Start + min(i.Useful.Sample, i.Frames)
	return from, min(from+i.Useful.Length, i.End())
}

// check holds an Info against the bounds.
func (i Info) check() *fault.Error {
	if err := CheckLayer(i.Layer); err != nil {
		return fault.New(fault.Malformed, "the layer's name is off").Because(err)
	}
	if err := checkID(i.ID); err != nil {
		return fault.New(fault.Malformed, "the take's number is off").Because(err)
	}
	switch {
	case i.Version != infoVersion:
		return fault.New(fault.Unsupported, "version %d of a take's description is not known", i.Version)
	case i.SampleRate < audiofile.MinSampleRate || i.SampleRate > audiofile.MaxSampleRate:
		return fault.New(fault.Malformed, "a sample rate of %d Hz is outside %d to %d", i.SampleRate, audiofile.MinSampleRate, audiofile.MaxSampleRate)
	case i.Frames < 0 || i.Frames > maxFrames:
		return fault.New(fault.OverLimit, "%d samples in a take", i.Frames)
	case i.Start < -maxStart || i.Start > maxStart || i.RoundTrip < -maxStart || i.RoundTrip > maxStart:
		return fault.New(fault.OverLimit, "a start of %d or a round trip of %d samples is out of range", i.Start, i.RoundTrip)
	case len(i.Device) > maxTextBytes || len(i.Input) > maxTextBytes || len(i.Stopped) > maxTextBytes:
		return fault.New(fault.OverLimit, "a text of over %d bytes", maxTextBytes)
	case i.Created.Year() < 0 || i.Created.Year() > 9999: // what RFC 3339 can say
		return fault.New(fault.Malformed, "made in the year %d", i.Created.Year())
	case !(i.Peak >= 0 && i.Peak < math.MaxFloat32):
		return fault.New(fault.Malformed, "a peak of %v", i.Peak)
	}
	if u := i.Useful; u != nil && (u.Sample < 0 || u.Length <= 0 || u.Sample > maxFrames || u.Length > maxFrames) {
		return fault.New(fault.Malformed, "a useful span from %d for %d samples is out of range", u.Sample, u.Length)
	}
	if i.Slipped < -maxStart || i.Slipped > maxStart {
		return fault.New(fault.OverLimit, "a slip of %d samples is out of range", i.Slipped)
	}
	if r := i.Rate; r != nil && (!(r.Hz >= 1 && r.Hz < 1e7) || r.Sample < 0 || r.Sample > maxFrames) {
		return fault.New(fault.Malformed, "a device at %v Hz from sample %d on is out of range", r.Hz, r.Sample)
	}
	if h := i.Heard; h != nil && (h.Lag < -maxStart || h.Lag > maxStart || !(math.Abs(h.LevelDB) < 1000)) {
		return fault.New(fault.Malformed, "own sound heard %d samples late at %v dB is out of range", h.Lag, h.LevelDB)
	}
	if err := i.Elsewhere.check(); err != nil {
		return err
	}
	switch i.State {
	case Recording, Whole, Recovered:
	default:
		return fault.New(fault.Malformed, "the state %q is none of recording, whole, recovered", i.State)
	}
	switch i.RoundTripKnown {
	case Measured, Typed, AssumedZero, ByEar, Unknown:
	default:
		return fault.New(fault.Malformed, "round_trip_known %q is none of measured, typed, assumed-zero, heard, unknown", i.RoundTripKnown)
	}
	if err := checkSpans("dropouts", i.Dropouts); err != nil {
		return err
	}
	return checkSpans("unheard", i.Unheard)
}

// checkSpans holds spans to be in order, apart and within bounds.
func checkSpans(what string, spans []Dropout) *fault.Error {
	if len(spans) > maxDropouts {
		return fault.New(fault.OverLimit, "%d %s, at most %d", len(spans), what, maxDropouts)
	}
	end := int64(math.MinInt64)
	for n, d := range spans {
		if d.Length <= 0 || d.Length > maxFrames || d.Sample > maxFrames || d.Sample < -maxFrames || d.Sample < end {
			return fault.New(fault.Malformed, "%s %d, at %d for %d samples, is out of order or range", what, n+1, d.Sample, d.Length)
		}
		end = d.Sample + d.Length
	}
	return nil
}

// addSpan appends a span, joined to the last where they touch. When the list
// is full the last one is stretched over the new: never less is told than
// was lost.
func addSpan(spans []Dropout, sample, length int64) []Dropout {
	if length <= 0 {
		return spans
	}
	if n := len(spans); n > 0 {
		last := &spans[n-1]
		if sample <= last.Sample+last.Length || n >= maxDropouts {
			last.Length = max(last.Length, sample+length-last.Sample)
			return spans
		}
	}
	return append(spans, Dropout{sample, length})
}

// encode is the sidecar's text.
func (i Info) encode() []byte {
	b, err := json.MarshalIndent(i, "", "  ")
	if err != nil {
		panic("take: a checked Info has no JSON: " + err.Error()) // NaN is kept out by check
	}
	return append(b, '\n')
}

// decode reads a sidecar; name is for errors. Errors: Malformed, OverLimit,
// Unsupported.
func decode(text []byte, name string) (Info, error) {
	mend := "mend the text, or delete it and let the take be recovered from its sound"
	if len(text) > maxSidecarBytes {
		return Info{}, fault.New(fault.OverLimit, "a take's description has at most %d bytes", maxSidecarBytes).In(name, "").Mended("%s", mend)
	}
	var i Info
	d := json.NewDecoder(bytes.NewReader(text))
	if err := d.Decode(&i); err != nil {
		return Info{}, fault.New(fault.Malformed, "this is no take's description").
			In(name, fmt.Sprintf("byte %d", d.InputOffset())).Because(err).Mended("%s", mend)
	}
	if err := i.check(); err != nil {
		return Info{}, err.In(name, "").Mended("%s", mend)
	}
	return i, nil
}
