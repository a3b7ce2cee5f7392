package rt

import (
	"math"
	"sync/atomic"
)

// limiter turns the sound down in time for the ceiling and up again slowly: a
// peak limiter with no attack time, a hold and an exponential release (the peak
// detector with instant attack of Giannoulis, Massberg and Reiss, «Digital
// Dynamic Range Compressor Design», JAES 60(6), 2012). It has no delay, so it
// moves nothing, and its answer does not depend on how blocks are cut. The
// price is that the first half wave above the ceiling is flattened; what
// follows keeps its shape. So it is for what cannot be looked ahead at: the live
// input, and what a late feeder brings. The rest is turned down by ahead before.
type limiter struct {
	gain float32
	hold int // frames until the release begins

	holdFrames int
	release    float32 // part of the way back to 1 in a frame

	least   float32 // gain of this block
	lowest  atomic.Uint32
	limited atomic.Int64 // frames turned down so far
}

// Times of the limiter, in seconds: the hold outlasts half a period of 50 Hz.
const (
	limitHoldSeconds    = 0.012
	limitReleaseSeconds = 0.15
	limitDone           = 0.999 // from here on the gain is 1: a step of 0.009 dB
	limitNear           = 0.98  // of the ceiling: a wave that comes as high again is held on
)

func (l *limiter) init(sampleRate int) {
	if sampleRate <= 0 {
		sampleRate = 48000
	}
	l.gain, l.least = 1, 1
	l.holdFrames = int(limitHoldSeconds * float64(sampleRate))
	l.release = float32(1 - math.Exp(-1/(limitReleaseSeconds*float64(sampleRate))))
	l.lowest.Store(math.Float32bits(1))
}

// next is the gain of a frame whose largest absolute sample is peak.
func (l *limiter) next(peak float32) float32 {
	switch {
	case peak*l.gain > Ceiling:
		l.gain, l.hold = Ceiling/peak, l.holdFrames
	case l.gain == 1:
		return 1
	case peak*l.gain > limitNear*Ceiling:
		l.hold = l.holdFrames
	case l.hold > 0:
		l.hold--
	default:
		if l.gain += (1 - l.gain) * l.release; l.gain > limitDone {
			l.gain = 1
		}
		if peak*l.gain > Ceiling {
			l.gain = Ceiling / peak
		}
	}
	l.least = min(l.least, l.gain)
	return l.gain
}

// publish tells the reader of a block of frames.
func (l *limiter) publish(frames int) {
	if l.least == 1 {
		return
	}
	l.limited.Add(int64(frames))
	bits := math.Float32bits(l.least)
	l.least = 1
	for {
		old := l.lowest.Load()
		if bits >= old || l.lowest.CompareAndSwap(old, bits) {
			return
		}
	}
}

// LimiterGain is the lowest gain of the limiter since the last call, linear; 1
// when it did nothing.
func (s *Stream) LimiterGain() float32 {
	return math.Float32frombits(s.limit.lowest.Swap(math.Float32bits(1)))
}

// Limited is for how many frames, to the block, the limiter has worked.
func (s *Stream) Limited() int64 { return s.limit.limited.Load() }

// Mute takes the live input out of the output, with a short fade, for the rest
// of the stream: feedback runs through it alone.
func (s *Stream) Mute() { s.muted.Store(true) }
