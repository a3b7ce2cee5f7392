package track

import (
	"encoding/json"
	"slices"
	"time"

	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// LatencyKey is what a round trip depends on.
type LatencyKey struct {
	Backend      string `json:"backend"`
	Output       string `json:"output"`
	Input        string `json:"input"`
	SampleRate   int    `json:"sample_rate"`
	PeriodFrames int    `json:"period_frames"`
}

// KeyOf is the key of a device as it stands.
func KeyOf(dev device.Device) LatencyKey {
	i, f := dev.Info(), dev.Format()
	return LatencyKey{Backend: i.Backend, Output: i.Output, Input: i.Input, SampleRate: f.SampleRate, PeriodFrames: f.PeriodFrames}
}

// Latency is one stored round trip.
type Latency struct {
	LatencyKey
	Samples  int64     `json:"samples"`
	Spread   int64     `json:"spread"`
	Constant bool      `json:"constant"`
	Measured time.Time `json:"measured"`
	// Waiting is how many frames waited in the device then; nil: it did not tell.
	Waiting *int64 `json:"waiting,omitempty"`
}

// Waits is what waited in the device when the round trip was measured.
func (l Latency) Waits() device.Waiting {
	if l.Waiting == nil {
		return device.Waiting{}
	}
	return device.Waiting{Known: true, Frames: *l.Waiting}
}

// LatencyStore keeps measured round trips in one small file, for this
// computer (a score moves, its devices do not).
type LatencyStore struct{ Path string }

// DefaultLatencyPath is cuechoir/latency.json in the user's configuration folder.
func DefaultLatencyPath() (string, error) { return settingsPath("latency.json") }

const (
	latencyVersion  = 1
	maxLatencyBytes = 1 << 20
	maxLatencies    = 1000
)

type latencyFile struct {
	Version   int       `json:"version"`
	Latencies []Latency `json:"round_trips"`
}

// Load gives what is stored; a file that is not there holds nothing.
func (s LatencyStore) Load() ([]Latency, error) {
	text, err := settingsFile(s.Path, maxLatencyBytes)
	if text == nil || err != nil {
		return nil, err
	}
	return parseLatencies(text, s.Path)
}

func parseLatencies(text []byte, name string) ([]Latency, error) {
	const mend = "delete the file and measure the round trip again"
	if len(text) > maxLatencyBytes {
		return nil, fault.New(fault.OverLimit, "it has at most %d bytes", maxLatencyBytes).In(name, "").Mended(mend)
	}
	var f latencyFile
	if err := json.Unmarshal(text, &f); err != nil {
		return nil, fault.New(fault.Malformed, "these are no round trips").In(name, "").Because(err).Mended(mend)
	}
	if f.Version != latencyVersion {
		return nil, fault.New(fault.Unsupported, "version %d is not known", f.Version).In(name, "").Mended(mend)
	}
	if len(f.Latencies) > maxLatencies {
		return nil, fault.New(fault.OverLimit, "%d round trips, at most %d", len(f.Latencies), maxLatencies).In(name, "").Mended(mend)
	}
	for _, l := range f.Latencies {
		if w := l.Waits().Frames; w < 0 || w > 10*int64(l.SampleRate) || l.Samples < 0 || l.SampleRate < 1 || l.Samples > 10*int64(l.SampleRate) || l.Spread < 0 || l.Measured.Year() > 9999 || l.Measured.Year() < 0 {
			return nil, fault.New(fault.Malformed, "a round trip of %d samples at %d Hz is out of range", l.Samples, l.SampleRate).
				In(name, "").Mended(mend)
		}
	}
	return f.Latencies, nil
}

// Get gives the stored round trip of a device; false when there is none. For a
// device that tells what waits in it, one that was measured without that is none.
func (s LatencyStore) Get(dev device.Device) (Latency, bool, error) {
	list, err := s.Load()
	if err != nil {
		return Latency{}, false, err
	}
	key := KeyOf(dev)
	for _, l := range list {
		if l.LatencyKey == key && (l.Waiting != nil || !device.TellsWaiting(dev)) {
			return l, true, nil
		}
	}
	return Latency{}, false, nil
}

// Put stores a measured round trip in the place of the device's last one. The
// file is replaced in one step. A full list loses its oldest.
func (s LatencyStore) Put(dev device.Device, r RoundTrip) error {
	list, err := s.Load()
	if err != nil {
		return err
	}
	key := KeyOf(dev)
	list = slices.DeleteFunc(list, func(l Latency) bool { return l.LatencyKey == key })
	l := Latency{LatencyKey: key, Samples: r.Samples, Spread: r.Spread, Constant: r.Constant, Measured: time.Now().UTC().Truncate(time.Second)}
	if r.Waiting.Known {
		l.Waiting = &r.Waiting.Frames
	}
	list = append(list, l)
	if over := len(list) - maxLatencies; over > 0 {
		list = list[over:]
	}
	text, err := json.MarshalIndent(latencyFile{latencyVersion, list}, "", "  ")
	if err != nil {
		return fault.New(fault.Unexpected, "the round trip has no text").Because(err)
	}
	return keepFile(s.Path, append(text, '\n'), "the round trip could not be stored")
}
