package job

import (
	"context"
	"slices"
	"sync"
	"time"

	"cuechoir/engine/score"
	"cuechoir/internal/device"
)

// Tapper turns moments into places while something plays: what sounded last,
// and how long ago. A constant lateness, of the hand or of the output, stays
// in it; it is taken off when the taps are mended (engine/beats).
type Tapper struct {
	mu       sync.Mutex
	rate     int64
	at, to   int64 // timeline samples
	told     time.Time
	playing  bool
	taps     []int64
	now      func() time.Time
	farthest time.Duration // beyond that after the last word, nothing plays
}

// NewTapper is for a playing at a sample rate that ends before a timeline sample.
func NewTapper(sampleRate int, to int64) *Tapper {
	return &Tapper{rate: int64(sampleRate), to: to, now: time.Now, farthest: time.Second}
}

// Heard is told where the playing is; it fits PlayOptions.Progress.
func (t *Tapper) Heard(_ int, at int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.at, t.told, t.playing = at, t.now(), true
}

// Tap keeps this moment and says where it lies. Nothing is kept before the
// playing begins, after it has ended, and when it has not been heard of for a
// second.
func (t *Tapper) Tap() (sample int64, ok bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	since := t.now().Sub(t.told)
	if !t.playing || since > t.farthest {
		return 0, false
	}
	at := t.at + int64(since)*t.rate/int64(time.Second)
	if at >= t.to {
		return 0, false
	}
	t.taps = append(t.taps, at)
	return at, true
}

// Taps are what was kept, in order and each once.
func (t *Tapper) Taps() []int64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := slices.Clone(t.taps)
	slices.Sort(out)
	return slices.Compact(out)
}

// TapAlong plays a stretch while taps come in: one a value of strokes. What was
// tapped is added to the score's taps when the playing ends, also when it is
// stopped by ctx. tapped, when given, hears of each. Errors: those of Play and
// of saving the score.
func TapAlong(ctx context.Context, f *score.Folder, dev device.Device, o PlayOptions, strokes <-chan struct{}, tapped func(n int, sample int64)) ([]int64, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	to := o.Stretch.To
	if o.Stretch.All() {
		to = s.Length()
	}
	t := NewTapper(s.SampleRate, to)
	shown := o.Progress
	o.Progress = func(pass int, at int64) {
		t.Heard(pass, at)
		if shown != nil {
			shown(pass, at)
		}
	}
	ended := make(chan struct{})
	var hand sync.WaitGroup
	hand.Go(func() {
		n := 0
		for {
			select {
			case <-ended:
				return
			case _, more := <-strokes:
				if !more {
					return
				}
				if at, ok := t.Tap(); ok {
					n++
					if tapped != nil {
						tapped(n, at)
					}
				}
			}
		}
	})
	_, err = Play(ctx, f, dev, o)
	close(ended)
	hand.Wait()
	taps := t.Taps()
	if len(taps) == 0 {
		return nil, err
	}
	if kept := AddTaps(f, taps); kept != nil {
		return taps, kept
	}
	return taps, err
}
