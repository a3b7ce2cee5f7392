// Package cutlist holds the places where a picture changes, and reads and
// writes them in the forms that editors hand over: tables (CSV), CMX 3600
// edit decision lists and OpenTimelineIO files.
package cutlist

import (
	"fmt"
	"sort"
	"strings"
)

// Kind is how one shot gives way to the next.
type Kind string

const (
	HardCut  Kind = "cut"      // between two neighbouring frames
	Dissolve Kind = "dissolve" // one shot fades into the next
	FadeOut  Kind = "fade-out" // a shot falls to black or white
	FadeIn   Kind = "fade-in"  // a shot rises from black or white
	Wipe     Kind = "wipe"     // one shot pushes or covers the other, edge by edge
)

// Kinds are all of them, in the order in which they are told to a person.
var Kinds = []Kind{HardCut, Dissolve, FadeOut, FadeIn, Wipe}

// Cut is one change of picture. All frames count from the reference's first
// frame, 0.
type Cut struct {
	Frame      int64   // hard cut: first frame of the new shot; dissolve, wipe: first mixed frame; fade: first frame that falls or rises
	End        int64   // hard cut: == Frame; else the first frame that is whole again (exclusive end)
	Kind       Kind    //
	Confidence float64 // 0 to 1; 1 for a cut made by hand or read from a list
	Name       string  // optional: the shot that begins here, or a word of the maker's
	Hand       bool    // made or changed by a person; finding cuts again keeps it
}

// Validate reports why the cut cannot stand in a reference of the given
// length in frames.
func (c Cut) Validate(frames int64) error {
	if !c.Kind.known() {
		return fmt.Errorf("kind %q is not one of %s", clip(string(c.Kind)), kindWords())
	}
	if c.Frame < 0 || c.Frame >= frames {
		return fmt.Errorf("frame %d is outside the reference (0 to %d)", c.Frame, frames-1)
	}
	if c.End < c.Frame || c.End > frames {
		return fmt.Errorf("end %d is not between %d and %d", c.End, c.Frame, frames)
	}
	if !(c.Confidence >= 0 && c.Confidence <= 1) {
		return fmt.Errorf("confidence %g is not between 0 and 1", c.Confidence)
	}
	return nil
}

func (k Kind) known() bool {
	for _, x := range Kinds {
		if k == x {
			return true
		}
	}
	return false
}

func kindWords() string {
	words := make([]string, len(Kinds))
	for i, k := range Kinds {
		words[i] = string(k)
	}
	return strings.Join(words, ", ")
}

// Merge adds cuts to a list: in order of frame, one a frame, the added one
// winning.
func Merge(list, added []Cut) []Cut {
	byFrame := make(map[int64]Cut, len(list)+len(added))
	for _, c := range list {
		byFrame[c.Frame] = c
	}
	for _, c := range added {
		byFrame[c.Frame] = c
	}
	out := make([]Cut, 0, len(byFrame))
	for _, c := range byFrame {
		out = append(out, c)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Frame < out[j].Frame })
	return out
}
