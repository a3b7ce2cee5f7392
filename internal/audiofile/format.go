package audiofile

import (
	"fmt"

	"cuechoir/internal/fault"
)

// Bounds that hold for each file read or written.
const (
	MinSampleRate = 1000
	MaxSampleRate = 768000
	MaxChannels   = 64
)

// Format says how samples are kept in a file.
type Format struct {
	SampleRate int  // Hz, 1000 to 768000
	Channels   int  // 1 to 64
	Bits       int  // width of one stored sample: 16, 24, 32; also 8 and 64 on reading
	Float      bool // IEEE 754 floating point (32 or 64 bits) rather than integers
}

// FrameBytes is the size of one frame in bytes.
func (fm Format) FrameBytes() int { return fm.Channels * fm.Bits / 8 }

// String says the format in words: "48000 Hz, 1 channel, 24-bit".
func (fm Format) String() string {
	channels, float := "channels", ""
	if fm.Channels == 1 {
		channels = "channel"
	}
	if fm.Float {
		float = " float"
	}
	return fmt.Sprintf("%d Hz, %d %s, %d-bit%s", fm.SampleRate, fm.Channels, channels, fm.Bits, float)
}

// check says whether the sample rate and channel count are within bounds.
func (fm Format) check() *fault.Error {
	if fm.SampleRate < MinSampleRate || fm.SampleRate > MaxSampleRate {
		return fault.New(fault.Malformed, "a sample rate of %d Hz is outside %d to %d", fm.SampleRate, MinSampleRate, MaxSampleRate)
	}
	if fm.Channels < 1 || fm.Channels > MaxChannels {
		return fault.New(fault.Malformed, "%d channels are outside 1 to %d", fm.Channels, MaxChannels)
	}
	return nil
}

// checkWritable says whether NewWriter can write the format.
func (fm Format) checkWritable() error {
	if err := fm.check(); err != nil {
		e := *err
		e.Kind = fault.Usage
		return &e
	}
	if fm.Bits == 32 || !fm.Float && (fm.Bits == 16 || fm.Bits == 24) {
		return nil
	}
	return fault.New(fault.Usage, "a sound file of %s is not written", fm).
		Mended("use 16, 24 or 32-bit integers, or 32-bit float")
}
