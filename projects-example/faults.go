package example

import "cuechoir/engine/timecode"

// FaultKind names what the singer does wrong.
type FaultKind string

const (
	Drift    FaultKind = "drift"    // the whole layer sinks or rises evenly
	Flat     FaultKind = "flat"     // one note is too low
	Sharp    FaultKind = "sharp"    // one note is too high
	Late     FaultKind = "late"     // one note begins too late
	Early    FaultKind = "early"    // one note begins too early
	Dropout  FaultKind = "dropout"  // digital silence inside a held note
	Missing  FaultKind = "missing"  // one note is not sung
	Wrong    FaultKind = "wrong"    // one note is another
	Clipping FaultKind = "clipping" // a passage over full scale, cut off at it
)

// Fault is one planted mistake; everything else is sung cleanly.
type Fault struct {
	Layer        string
	Kind         FaultKind
	Note, Last   int     // indices into the layer's notes, both ends counted; the whole layer for Drift
	Bar          int     // of Note; bar 1 is the first
	Cents        float64 // against the target; for Drift cents a minute from frame 0
	Frames       int64   // late is positive, early negative
	Milliseconds int64   // length of a dropout
	DB           float64 // over full scale
}

// Faults is every planted mistake.
func Faults() []Fault {
	return []Fault{
		fault("Tenor", Drift, 3, 1, Fault{Cents: -30}),
		fault("Horn I", Flat, 8, 1, Fault{Cents: -60}),
		fault("Viola", Sharp, 21, 1, Fault{Cents: 45}),
		fault("Trombone", Late, 15, 1, Fault{Frames: 3}),
		fault("Horn II", Early, 14, 1, Fault{Frames: -4}),
		fault("Bass", Dropout, 23, 1, Fault{Milliseconds: 60}),
		fault("Cello", Missing, 13, 1, Fault{}),
		fault("Alto", Wrong, 16, 1, Fault{Cents: 200}),
		fault("Trumpet", Clipping, 21, 1, Fault{DB: 6}),
	}
}

// CleanLayers have no planted fault, though three of them are hard to judge:
// the soprano scoops into every note and shakes, the violin breathes, the
// contrabass creaks.
func CleanLayers() []string {
	return []string{"Violin", "Contrabass", "Soprano", "Timpani", "Snare", "Cymbal"}
}

// fault fills in which note is meant: the one of the layer that begins at a bar
// and beat. Note is -1 when there is none, which a test would find.
func fault(layer string, kind FaultKind, bar, beat int, f Fault) Fault {
	f.Layer, f.Kind, f.Bar, f.Note = layer, kind, bar, -1
	at := timecode.Int(int64(4*(bar-1) + beat - 1))
	notes := notesOf(layer)
	for i, n := range notes {
		if n.Start.Cmp(at) == 0 {
			f.Note = i
		}
	}
	f.Last = f.Note
	switch kind {
	case Drift:
		f.Last = len(notes) - 1
	case Clipping:
		f.Last = f.Note + 2
	}
	return f
}

func notesOf(layer string) []Note {
	for _, l := range Layers() {
		if l.Name == layer {
			return l.Notes
		}
	}
	return nil
}
