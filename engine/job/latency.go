package job

import (
	"context"
	"slices"

	"cuechoir/engine/score"
	"cuechoir/engine/track"
	"cuechoir/internal/device"
)

// MeasureRoundTrip plays quiet chirps through a loop from output to input and
// says how late they come back.
func MeasureRoundTrip(ctx context.Context, dev device.Device, o track.RoundTripOptions) (track.RoundTrip, error) {
	return track.MeasureRoundTrip(ctx, dev, o)
}

// KeepRoundTrip stores a measured round trip for this device, rate and
// period, on this computer.
func KeepRoundTrip(dev device.Device, r track.RoundTrip) error {
	path, err := track.DefaultLatencyPath()
	if err != nil {
		return err
	}
	return track.LatencyStore{Path: path}.Put(dev, r)
}

// KnownRoundTrip is the stored round trip of a device; false when it was never
// measured.
func KnownRoundTrip(dev device.Device) (track.Latency, bool, error) {
	path, err := track.DefaultLatencyPath()
	if err != nil {
		return track.Latency{}, false, nil // no folder for settings: nothing was ever stored
	}
	return track.LatencyStore{Path: path}.Get(dev)
}

// OtherSung names the layers but some that have a take and are not muted.
func OtherSung(f *score.Folder, but ...string) ([]string, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	var out []string
	for i := range s.Layers {
		l := &s.Layers[i]
		if slices.Contains(but, l.Name) || l.Mute {
			continue
		}
		if _, ok, err := soundOf(f, l); err != nil {
			return nil, err
		} else if ok {
			out = append(out, l.Name)
		}
	}
	return out, nil
}
