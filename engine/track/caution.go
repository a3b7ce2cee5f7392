package track

import (
	"encoding/json"
	"slices"

	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// CautionStore remembers the outputs through which sound has gone to a person's
// ears, and that they were told how to begin, in one small file for this computer.
type CautionStore struct{ Path string }

// DefaultCautionPath is cuechoir/outputs.json in the user's configuration folder.
func DefaultCautionPath() (string, error) { return settingsPath("outputs.json") }

const (
	cautionVersion  = 1
	maxCautionBytes = 1 << 20
	maxOutputs      = 1000
)

type cautionFile struct {
	Version int      `json:"version"`
	Outputs []string `json:"outputs"` // the newest last
}

// First says whether a device's output is used for the first time, and
// remembers it. What cannot be read counts as the first: told once too often is
// the safe side. The error, of remembering, comes beside a true First.
func (s CautionStore) First(dev device.Device) (bool, error) {
	i := dev.Info()
	name := i.Backend + ": " + i.Output
	var f cautionFile
	text, err := settingsFile(s.Path, maxCautionBytes)
	if err == nil && len(text) <= maxCautionBytes && json.Unmarshal(text, &f) == nil && f.Version == cautionVersion {
		if slices.Contains(f.Outputs, name) {
			return false, nil
		}
	} else {
		f.Outputs = nil
	}
	f.Version, f.Outputs = cautionVersion, append(f.Outputs, name)
	if over := len(f.Outputs) - maxOutputs; over > 0 {
		f.Outputs = f.Outputs[over:]
	}
	if text, err = json.MarshalIndent(f, "", "  "); err != nil {
		return true, fault.New(fault.Unexpected, "an output's name has no text").Because(err)
	}
	return true, keepFile(s.Path, append(text, '\n'), "that a caution was told could not be stored")
}
