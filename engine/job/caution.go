package job

import (
	"fmt"

	"cuechoir/engine/track"
	"cuechoir/internal/device"
)

// Caution is what a person is told before sound goes to their ears through dev: at
// length when its output is used for the first time on this computer, in a line
// afterwards. Common practice; no standard is quoted.
func Caution(dev device.Device) []string {
	first := true // without a place to remember it is told each time
	if path, err := track.DefaultCautionPath(); err == nil {
		first, _ = track.CautionStore{Path: path}.First(dev)
	}
	if !first {
		return []string{"headphones on, volume low at first"}
	}
	return []string{
		fmt.Sprintf("the first sound through %s: turn its volume right down before you put the headphones on, then up until it is just clear", dev.Info().Output),
		"it begins quiet on purpose: all is 6 dB down, and nothing passes -1 dBFS; no level above 0 dB is accepted",
		"loud headphones harm hearing for good, and it does not hurt at first: if you would have to shout over them they are too loud; rest your ears now and then, and stop when it rings",
		"closed headphones, loudspeakers off: a loudspeaker that the microphone hears howls, suddenly and loud",
	}
}
