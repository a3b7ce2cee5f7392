// Package tui is the terminal workstation. It shows a score as one strip of
// film running through a gate: the cuts on it, the bars laid under it, the
// voices stacked below like a choir, and what has to be sung again.
//
// Data goes one way: a Model (plain values, made by the caller) becomes a sheet
// (sorted, bounded), a State (sheet, frame in the gate, zoom, layer, size)
// becomes a Grid of cells by pure functions. Keys are tables (keys.go); what they
// cannot do on the state alone they wish for, and a Desk (desk.go) does it
// beside the screen. Only run.go and theme.go know the terminal.
package tui

import "cuechoir/engine/timecode"

// Model is a score as the screen needs it. The zero value but for a valid Rate
// is an empty score. Slices may come in any order; they are not changed.
type Model struct {
	Title      string
	Rate       timecode.Rate // of the reference
	Frames     int64         // length of the reference; 0 while there is none
	Samples    int64         // its exact length; 0: as Frames say
	Start      int64         // frame of the reference's start timecode, from 00:00:00:00
	SampleRate int           // Hz, 8000 to 768000; 0 is 48000
	Sound      bool          // the reference has a sound
	Wave       []float32     // its largest sample in each frame, 0 to 1; may be short
	Cuts       []Cut
	Hits       []Hit
	Bars       []Bar  // none while there is no map
	Style      string // of the map
	Pins       []Pin
	Taps       []int64 // samples
	Layers     []Layer
	Groups     []Group
	Fixes      []Fix    // what to do over all layers, the most gained first
	Chords     []Chord  // of the layers together
	Dials      []Dial   // of the whole mix
	Colours    []string // by name
	Needs      []Need   // what a stem needs, in the order of the work
	Room       int64    // seconds of one take that the disk has room for; 0: not known
}

// Dial is one thing that can be set of a sound, as a line of words and numbers.
type Dial struct {
	Name    string
	Text    string // as it stands; "" while there is none
	Usual   string // a line to begin with
	Uses    string // what it does, in a few words
	Command string // that sets it so
}

// Need is a line of the list of what a stem needs, and the command that mends it.
type Need struct {
	What    string // "map", "hits", "layers", "sound", "tuning", "time", "unsure", "takes", "stem", "length", "peak", "loudness"
	Layer   string // that it is about, or ""
	Stand   Stand
	Words   string
	Command string
}

// Stand is how a need stands.
type Stand string

// What stands in the way has to be mended before the stem goes out.
const (
	Met      Stand = "met"
	Look     Stand = "look"
	InTheWay Stand = "in the way"
)

// Pin is a beat tied to a frame.
type Pin struct {
	Bar, Beat int
	Frame     int64
}

// Cut is a change of picture.
type Cut struct {
	Frame int64  // first frame of the change
	End   int64  // frame after a gradual change; Frame or less for a hard cut
	Kind  string // "cut", "dissolve", "fade-out" or "fade-in"; others are shown by their word
	Name  string // of the shot that begins here
}

// Hit is a frame that the music has to land on.
type Hit struct {
	Frame  int64
	Must   bool // must, else want
	Name   string
	Lands  string         // "bar", "beat" or "half"
	Place  string         // where on the map it lands, such as "5.1"; empty while there is no map
	Error  timecode.Ratio // frames: landing minus Frame; above 0 the beat comes late
	Caught bool           // within its tolerance; read only with a Place
}

// Bar is a bar line of the map.
type Bar struct {
	Number int
	Sample int64   // where it begins on the timeline, Hz of Model.SampleRate
	BPM    float64 // beats of the metre a minute as it begins
	Metre  string  // "4/4"
	Beats  []int64 // samples of its beats, the first being Sample; without them only the bar is told
}

// Layer is one line of the choir.
type Layer struct {
	Name     string
	Group    string // layers of one group standing together form a row of the choir
	Take     string // name of the take in use, or empty
	Sung     bool
	Muted    bool
	Notes    []Note
	Findings []Finding
	Judged   bool // Findings and Trace are of this take
	Takes    []Take
	GainDB   float64
	Pan      float64   // -1 left to 1 right
	Levels   []float32 // its largest sample in each frame, before the fader; may be short
	Moves    []Move    // of its fader, in order of place
	Dials    []Dial
	Trace    []Reading // pitch as it was sung, in order of place
}

// Fix is one thing to do to the layers as a whole.
type Fix struct {
	Layer string
	// FromBar to ToBar, both among them, are to be sung again; 0 where it is the
	// layer as a whole.
	FromBar, ToBar int
	Frame          int64
	Gain           float64 // share of all that can be heard as off, 0 to 1
	Words          string
}

// Chord is samples From to To, To left out, in which layers sound together, and
// how they fit: one plain line.
type Chord struct {
	From, To int64
	Words    string
	Sour     bool // one of its layers would better move
}

// Group is how the layers of one group are treated together.
type Group struct {
	Name   string
	GainDB float64
	Muted  bool
	Moves  []Move
	Dials  []Dial
}

// Move is a place of a fader that moves: the dB that it has there beside its
// own. Between two it goes in a straight line of dB.
type Move struct {
	At int64 // sample
	DB float64
}

// Take is one recording of a layer.
type Take struct {
	ID       string
	From, To int64 // samples of the timeline
	Patch    bool  // punched in
	InUse    bool
	Comped   bool    // the layer's comp takes a stretch of it
	Stars    int     // 0: not rated
	PeakDB   float64 // dBFS
	Faults   int     // dropouts
}

// Note is samples Start to End of the timeline, End not among them.
type Note struct {
	Start, End int64
	Key        uint8  // MIDI note number, 69 is A4
	Unpitched  bool   // a struck sound: Key says nothing
	Name       string // lyric; may be empty
}

// Finding is one thing to mend in a layer.
type Finding struct {
	Sample   int64
	Kind     string  // one of the check's words: "flat", "late", ...
	Words    string  // one plain line
	Severity float64 // larger is worse; equals keep their order
}
