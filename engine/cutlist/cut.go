// Package cutlist holds the places where a picture changes, and reads and
// writes them in the forms that editors hand over.
package cutlist

import "fmt"

// Kind is how one shot gives way to the next.
type Kind string

const (
	HardCut  Kind = "cut"      // between two neighbouring frames
	Dissolve Kind = "dissolve" // one shot fades into the next
	FadeOut  Kind = "fade-out" // a shot falls to black or white
	FadeIn   Kind = "fade-in"  // a shot rises from black or white
)

// Cut is one change of picture. All frames count from the reference's first
// frame, 0.
type Cut struct {
	Frame      int64   // hard cut: first frame of the new shot; dissolve: first mixed frame; fade: first frame that falls or rises
	End        int64   // hard cut: == Frame; else the first frame that is whole again (exclusive end)
	Kind       Kind    //
	Confidence float64 // 0 to 1; 1 for a cut made by hand or read from a list
	Name       string  // optional, by hand
}

// Validate reports why the cut cannot stand in a reference of the given
// length in frames.
func (c Cut) Validate(frames int64) error {
	switch c.Kind {
	case HardCut, Dissolve, FadeOut, FadeIn:
	default:
		return fmt.Errorf("kind %q is not one of cut, dissolve, fade-out, fade-in", c.Kind)
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
