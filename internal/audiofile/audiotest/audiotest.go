// Package audiotest writes sound files for tests.
package audiotest

import (
	"errors"
	"os"

	"cuechoir/internal/audiofile"
)

// Write writes samples (±1 is full scale) as a mono WAV of so many bits.
func Write(path string, sampleRate, bits int, samples []float32) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	w, err := audiofile.NewWriter(f, audiofile.Format{SampleRate: sampleRate, Channels: 1, Bits: bits}, audiofile.WriterOptions{})
	if err != nil {
		return err
	}
	return errors.Join(w.Write(samples), w.Close())
}
