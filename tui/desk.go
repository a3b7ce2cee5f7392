package tui

import "context"

// Desk is the job behind the screen: it reads the score and does what keys ask
// for. Its methods are called from one goroutine each at a time: Load and Still
// from the loop's or a reader's, Do once for edits and once for a Run beside it.
type Desk interface {
	// Load is the score as it stands now.
	Load(ctx context.Context) (Model, error)
	// Do does one wish. Of a wish that runs (see Wish.Runs) tell hears how it
	// goes, at most some thirty times a second; it ends soon after ctx does.
	Do(ctx context.Context, w Wish, tell func(Told)) (Outcome, error)
	// Still is the picture of a frame, at most w by h points, its shape kept. It
	// answers within milliseconds; ok is false while there is none.
	Still(frame int64, w, h int) (s Still, ok bool)
}

// Deed is what is wished for.
type Deed string

// What keys can ask of the desk. Those in the second half run: they take their
// time, are told of as they go, and can be stopped.
const (
	DoUndo     Deed = "undo"
	DoRedo     Deed = "redo"
	DoHit      Deed = "hit"       // Frame, Must: mark, or take away
	DoNameHit  Deed = "name-hit"  // Frame, Name
	DoLands    Deed = "lands"     // Frame: what falls on the hit there
	DoCut      Deed = "cut"       // Frame: make, or take away
	DoMoveCut  Deed = "move-cut"  // Frame to Other
	DoNameShot Deed = "name-shot" // Frame, Name
	DoTaps     Deed = "taps"      // Taps are added
	DoUntap    Deed = "untap"     // all taps go
	DoKeepMap  Deed = "keep-map"  // Index of the maps offered last
	DoPin      Deed = "pin"       // Frame: the beat nearest to it, or let it go
	DoBars     Deed = "bars"      // Name (metre, tempo, insert, delete) of bars numbered Frame to Other, as Text says
	DoHold     Deed = "hold"      // Frame: the beat nearest to it, Text frames longer
	DoAddLayer Deed = "add-layer" // Name
	DoUseTake  Deed = "use-take"  // Layer, Take
	DoRate     Deed = "rate"      // Layer, Take, Index stars
	DoComp     Deed = "comp"      // Layer, Take over From..To
	DoFader    Deed = "fader"     // Layer or Group, By dB
	DoPan      Deed = "pan"       // Layer, By
	DoMute     Deed = "mute"      // Layer, or Group
	DoRide     Deed = "ride"      // Layer or Group, From..To, Moves
	DoDial     Deed = "dial"      // Layer, Group or the whole mix: dial Name to Text; over From..To when they differ

	DoPlay    Deed = "play"    // From..To, Loop, Hear
	DoSing    Deed = "sing"    // Layer, From..To or all when equal, Loop, Hear
	DoOffer   Deed = "offer"   // Style: maps
	DoFollow  Deed = "follow"  // Style: a map on the reference's beat, or on the taps
	DoCheck   Deed = "check"   // all layers
	DoMeasure Deed = "measure" // the mix
	DoBounce  Deed = "bounce"  // Bits, Target, Stems
	DoFind    Deed = "find"    // the reference's cuts again
	DoReady   Deed = "ready"   // what has to be got ready before stills can be shown
)

// Wish is a deed with what it is about; see the deeds for what each reads.
type Wish struct {
	Do           Deed
	Frame, Other int64
	From, To     int64 // samples of the timeline
	Must, Loop   bool
	Layer, Take  string
	Group        string // in the place of Layer
	Moves        []Move
	Name, Style  string
	Text         string
	Index, Bits  int
	By           float64
	Target       float64 // LUFS; 0: as mixed
	Stems        bool
	Taps         []int64 // samples
	Hear         Hear
}

// Runs reports a wish that takes its time, in the place of any other that does.
func (w Wish) Runs() bool {
	switch w.Do {
	case DoPlay, DoSing, DoOffer, DoFollow, DoCheck, DoMeasure, DoBounce, DoFind, DoReady:
		return true
	}
	return false
}

// Hear is what comes to the headphones.
type Hear struct {
	Click, Reference bool
	Guide            string   // the layer whose part is sounded, or ""
	Layers           []string // sung layers
	Mix              bool     // the mix as a bounce would write it
	Alone            string   // with Mix: this layer's share of it alone, or ""
	VolumeDB         float64  // of all, at most 0
}

// Told is how a run goes. What it does not tell is left at zero.
type Told struct {
	What        string // of work: what is done now
	Done, Total int64  // of work; Total 0: not known

	Moving   bool  // a transport: At is the timeline sample that sounds now
	At       int64 // may be below 0, in a count-in
	Pass     int   // from 0
	Count    int   // the number to call in a count-in, 0 after it
	Silent   bool  // there is no sound, only the clock
	PeakDB   float64
	Input    bool // PeakDB is the input's since the last word
	Dropouts int
	SecsLeft int64     // that the disk has room for
	Room     bool      // SecsLeft is known
	Voice    []Reading // new readings of the voice, in order
	Note     string    // a word on how it is done, told once
}

// Reading is one reading of a voice: its place and its pitch (6900 is A4).
type Reading struct {
	Sample int64
	Cents  float64
	Voiced bool
}

// Outcome is what came of a wish.
type Outcome struct {
	News    string   // one line for the person
	Notice  []string // what has to be read before it goes on; any key closes it
	Changed bool     // the score is to be read again
	Offers  []Offer
	Bounced *Bounced
	Mix     *MixReading
}

// Offer is a tempo map to choose.
type Offer struct {
	Style, Words string  // "steady"; what it gives and takes
	Trade        string  // against the first
	LowBPM       float64 // the slowest and fastest tempo in it
	HighBPM      float64
	Caught, All  int
	Hits         []Hit // as they land on it
}

// Bounced is a stem as it was written.
type Bounced struct {
	Files          []string // the mix first
	Samples        int64
	SampleRate     int
	Bits           int
	LUFS, PeakDBTP float64
	RangeLU        float64
	GainDB         float64
	Layers         int
	LeftOut        []string // not sung, or muted, with why
}

// MixReading is what the mix measures.
type MixReading struct {
	Peak      []float32 // a frame; 1 is full scale
	Momentary []float32 // LUFS a frame
	LUFS      float64
	PeakDBTP  float64
	// Layers and Groups are peaks a frame, by name, behind all that is done to
	// each; nil where none were measured.
	Layers, Groups map[string][]float32
}

// Still is a grey picture: rows from the top, 0 black to 255 white, square
// points.
type Still struct {
	W, H int
	Pix  []byte
}
