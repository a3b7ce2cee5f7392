package rt

import "math"

// Feed adds interleaved monitor frames (MonitorChannels wide) and reports how
// many frames fitted. The first frame fed is heard at stream frame 0.
func (s *Stream) Feed(src []float32) int {
	width := s.cfg.MonitorChannels
	n := min(len(src), s.monitor.Free()) / width
	return s.monitor.Write(src[:n*width]) / width
}

// FeedRoom is how many frames Feed would take now.
func (s *Stream) FeedRoom() int { return s.monitor.Free() / s.cfg.MonitorChannels }

// Fed is how many frames wait to be heard.
func (s *Stream) Fed() int { return s.monitor.Len() / s.cfg.MonitorChannels }

// CaptureRoom is how many frames of input would be kept now.
func (s *Stream) CaptureRoom() int { return s.capture.Free() / s.inputs }

// CaptureSize is the room of the capture ring in frames.
func (s *Stream) CaptureSize() int { return s.capture.Cap() / s.inputs }

// Capture hands on the next input frames in stream order, n of them, interleaved
// when several inputs are captured; 0 when none wait. They are either all as
// captured, or, with lost true, all silence in the place of input that was lost.
func (s *Stream) Capture(dst []float32) (n int, lost bool) {
	// The ring's level first: every gap before those samples is published by then.
	waiting, room := s.capture.Len()/s.inputs, len(dst)/s.inputs
	if s.hole.Frames == 0 {
		if g, ok := s.lost.next(); ok {
			s.hole = g
		}
	}
	if s.hole.Frames > 0 && s.readAt == s.hole.At {
		n = int(min(int64(room), s.hole.Frames))
		clear(dst[:n*s.inputs])
		s.hole.At += int64(n)
		s.hole.Frames -= int64(n)
		s.readAt += int64(n)
		return n, true
	}
	n = min(room, waiting)
	if s.hole.Frames > 0 {
		n = int(min(int64(n), s.hole.At-s.readAt))
	}
	n = s.capture.Read(dst[:n*s.inputs]) / s.inputs
	s.readAt += int64(n)
	return n, false
}

// Captured is the stream frame of the next sample that Capture will give.
func (s *Stream) Captured() int64 { return s.readAt }

// MonitorGap hands on the next span that was heard as silence because the
// feeder was late.
func (s *Stream) MonitorGap() (Gap, bool) { return s.missed.next() }

// Stop asks for a fade out; Silent tells when it has ended. The stream goes
// on counting and capturing.
func (s *Stream) Stop() { s.stopping.Store(true) }

// Silent reports whether the fade out that Stop asked for has ended.
func (s *Stream) Silent() bool { return s.silent.Load() }

// Finish publishes gaps that are still open. Call it when the device has
// stopped, from the reader's goroutine; false means that more gaps wait than
// there is room for: read on and call again.
func (s *Stream) Finish() bool {
	missed, lost := s.missed.close(), s.lost.close()
	return missed && lost
}

// Frames is the number of stream frames done, exact to the block.
func (s *Stream) Frames() int64 { return s.frames.Load() }

// Calls is the number of callbacks so far.
func (s *Stream) Calls() int64 { return s.calls.Load() }

// LargestBlock is the largest callback so far, in frames.
func (s *Stream) LargestBlock() int64 { return s.largest.Load() }

// Counts tells how often and for how many frames the output ran dry and the
// input was lost.
func (s *Stream) Counts() (underruns, underrunFrames, overruns, overrunFrames int64) {
	return s.missed.events.Load(), s.missed.lost.Load(), s.lost.events.Load(), s.lost.lost.Load()
}

// InputPeak is the largest absolute sample of the captured input k, from 0, since
// the last call, linear.
func (s *Stream) InputPeak(k int) float32 { return math.Float32frombits(s.inPeak[k].Swap(0)) }

// Inputs is how many inputs are captured.
func (s *Stream) Inputs() int { return s.inputs }

// OutputPeak is the largest absolute output since the last call, linear.
func (s *Stream) OutputPeak() float32 { return math.Float32frombits(s.outPeak.Swap(0)) }
