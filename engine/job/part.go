package job

import (
	"os"

	"cuechoir/engine/part"
	"cuechoir/internal/fault"
)

// ReadPart reads one line of notes from a Standard MIDI File; notes says what
// was mended on the way.
func ReadPart(path string, o part.ReadOptions) (p part.Part, notes []string, err error) {
	if err := readable(path); err != nil {
		return p, nil, err
	}
	f, err := os.Open(path)
	if err != nil {
		return p, nil, fault.New(fault.Missing, "the file cannot be opened").In(path, "").Because(err)
	}
	defer f.Close()
	return part.ReadSMF(f, path, o)
}
