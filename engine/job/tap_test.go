package job

import (
	"context"
	"slices"
	"testing"
	"time"

	"cuechoir/internal/device"
)

// A tap lies where the playing was heard last, plus what has passed since; there
// is none before, after the end, and when the playing has fallen silent.
func TestTapperCountsOnFromWhatWasHeard(t *testing.T) {
	now := time.Unix(1, 0)
	p := NewTapper(48000, 100_000)
	p.now = func() time.Time { return now }
	if _, ok := p.Tap(); ok {
		t.Error("a tap before anything played")
	}
	p.Heard(0, 10_000)
	now = now.Add(125 * time.Millisecond)
	if at, ok := p.Tap(); !ok || at != 16_000 {
		t.Errorf("an eighth of a second after sample 10000: %d %v, want 16000", at, ok)
	}
	p.Heard(1, 4_000) // the next pass
	if at, ok := p.Tap(); !ok || at != 4_000 {
		t.Errorf("%d %v, want 4000", at, ok)
	}
	now = now.Add(2 * time.Second)
	if _, ok := p.Tap(); ok {
		t.Error("a tap though nothing has been heard for two seconds")
	}
	p.Heard(1, 99_990)
	now = now.Add(time.Millisecond)
	if at, ok := p.Tap(); ok {
		t.Errorf("a tap after the end, at %d", at)
	}
	if got := p.Taps(); !slices.Equal(got, []int64{4_000, 16_000}) {
		t.Errorf("taps %v", got)
	}
}

// Strokes while it plays become taps of the score, and can be taken back.
func TestTapAlong(t *testing.T) {
	f, _ := sungScore(t)
	strokes, done := make(chan struct{}), make(chan struct{})
	wish := []int64{24_000, 72_000}
	var from []int64
	o := PlayOptions{NoClick: true, Hear: Hear{Layers: []Heard{{Layer: "alto"}}}, Progress: func(_ int, at int64) {
		if len(from) < len(wish) && at >= wish[len(from)] {
			from = append(from, at)
			strokes <- struct{}{}
			select {
			case <-done:
			case <-time.After(5 * time.Second):
			}
		}
	}}
	taps, err := TapAlong(context.Background(), f, &device.Virtual{SampleRate: 48000}, o, strokes, func(int, int64) { done <- struct{}{} })
	if err != nil || len(taps) != 2 || len(from) != 2 {
		t.Fatalf("taps %v, strokes at %v: %v", taps, from, err)
	}
	for i, at := range taps {
		if at < from[i] || at > from[i]+48_000 {
			t.Errorf("the stroke at %d became a tap at %d", from[i], at)
		}
	}
	s, err := f.Load()
	if err != nil || !slices.Equal(s.Taps, taps) {
		t.Errorf("the score keeps %v, %v", s.Taps, err)
	}
}
