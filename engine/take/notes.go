package take

import (
	"math"

	"cuechoir/internal/fault"
)

// Describe names the device and its input in the take.
func (w *Writer) Describe(device, input string) {
	w.info.Device, w.info.Input = clip(device), clip(input)
	w.dirty = true
}

// AddDropout notes input that was lost, in the take's own samples. Spans come
// in order.
func (w *Writer) AddDropout(sample, length int64) {
	w.info.Dropouts = addSpan(w.info.Dropouts, sample, length)
	w.dirty = true
}

// AddUnheard notes a span during which the singer heard silence, in the
// take's own samples. Spans come in order.
func (w *Writer) AddUnheard(sample, length int64) {
	w.info.Unheard = addSpan(w.info.Unheard, sample, length)
	w.dirty = true
}

// SetUseful notes the span that the take is made for, in its own samples. Call
// it before the first sample. Errors: Usage.
func (w *Writer) SetUseful(sample, length int64) error {
	old := w.info.Useful
	w.info.Useful, w.dirty = &Span{sample, length}, true
	if err := w.info.check(); err != nil {
		w.info.Useful = old
		e := *err
		e.Kind = fault.Usage
		return &e
	}
	return nil
}

// SetSlipped notes by how many samples the device has lost its count so far.
func (w *Writer) SetSlipped(frames int64) {
	w.info.Slipped = min(max(frames, -maxStart), maxStart)
	w.dirty = true
}

// SetRate notes that the device delivered at another rate, from a sample on.
func (w *Writer) SetRate(hz float64, sample int64) {
	w.info.Rate, w.dirty = &Rate{min(max(math.Round(hz), 1), 1e6), max(sample, 0)}, true
}

// SetHeard notes the program's own sound in the take.
func (w *Writer) SetHeard(h Heard) {
	w.info.Heard, w.dirty = &h, true
}

// SetStopped notes why the take ends before its time.
func (w *Writer) SetStopped(why string) { w.info.Stopped = clip(why) }
