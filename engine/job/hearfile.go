package job

import (
	"bufio"
	"io"
	"math"
	"os"
	"strconv"

	"cuechoir/engine/pitch"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// HeardFile is what is heard in any recording, without a score: its pitch frame by
// frame, and its notes. Samples count from the file's first.
type HeardFile struct {
	Path       string
	SampleRate int
	Samples    int64
	Frames     []pitch.Frame
	Notes      []pitch.Note
}

// Bounds of the step between pitch readings, milliseconds.
const (
	DefaultStepMS = 5.0
	leastStepMS   = 1.0
	mostStepMS    = 100.0
)

// HearFile reads a recording of one voice, its channels mixed to one; stepMS is
// the step between readings in milliseconds (0: DefaultStepMS), rounded to
// whole samples. Errors: Usage (the step), OverLimit (over an hour), and those
// of the file and of its rate.
func HearFile(path string, stepMS float64) (*HeardFile, error) {
	if stepMS == 0 {
		stepMS = DefaultStepMS
	}
	if !(stepMS >= leastStepMS && stepMS <= mostStepMS) {
		return nil, fault.New(fault.Usage, "a step of %g ms is not read", stepMS).Mended("use %g to %g ms; 5 and 10 are usual", leastStepMS, mostStepMS)
	}
	x, fm, err := audiofile.ReadMono(path, 0, 0)
	if err != nil {
		return nil, err
	}
	o := pitch.Options{HopSamples: max(16, int(math.Round(stepMS/1000*float64(fm.SampleRate))))}
	h := &HeardFile{Path: path, SampleRate: fm.SampleRate, Samples: int64(len(x))}
	if h.Frames, err = pitch.Track(x, fm.SampleRate, o); err != nil {
		return nil, fault.New(fault.KindOf(err), "the pitch cannot be read").In(path, "").Because(err)
	}
	h.Notes = pitch.Segment(x, h.Frames, fm.SampleRate, pitch.SegmentOptions{})
	return h, nil
}

func (h *HeardFile) seconds(sample int64) float64 { return float64(sample) / float64(h.SampleRate) }

// NearestKey is a note's nearest key of the equal scale at A4 = 440 Hz (69 = A4) and
// how many cents the note lies over it, -50 to 50.
func NearestKey(n pitch.Note) (midi int, cents float64) {
	key := math.Round(n.CentreCents / 100)
	return int(key), n.CentreCents - 100*key
}

// WriteF0 writes a row a reading: time_s,f0_hz, 0 Hz where there is no pitch.
func (h *HeardFile) WriteF0(w io.Writer) error {
	b := bufio.NewWriter(w)
	b.WriteString("time_s,f0_hz\n")
	var row []byte
	for _, f := range h.Frames {
		row = strconv.AppendFloat(row[:0], h.seconds(f.Sample), 'f', 6, 64)
		row = append(row, ',')
		if f.Voiced {
			row = strconv.AppendFloat(row, f.Hz, 'f', 3, 64)
		} else {
			row = append(row, '0')
		}
		b.Write(append(row, '\n'))
	}
	return b.Flush()
}

// WriteNotes writes a row a note: onset_s,offset_s,midi,cents,confidence. What
// midi and cents are, NearestKey says; confidence is 0 to 1.
func (h *HeardFile) WriteNotes(w io.Writer) error {
	b := bufio.NewWriter(w)
	b.WriteString("onset_s,offset_s,midi,cents,confidence\n")
	var row []byte
	for _, n := range h.Notes {
		midi, cents := NearestKey(n)
		row = strconv.AppendFloat(row[:0], h.seconds(n.Onset), 'f', 6, 64)
		row = strconv.AppendFloat(append(row, ','), h.seconds(n.Offset), 'f', 6, 64)
		row = strconv.AppendInt(append(row, ','), int64(midi), 10)
		row = strconv.AppendFloat(append(row, ','), cents, 'f', 2, 64)
		row = strconv.AppendFloat(append(row, ','), n.Confidence, 'f', 3, 64)
		b.Write(append(row, '\n'))
	}
	return b.Flush()
}

// SaveF0 writes WriteF0's rows to a file, whole or not at all. Errors: Conflict
// for the recording itself.
func (h *HeardFile) SaveF0(path string) error { return h.save(path, h.WriteF0) }

// SaveNotes writes WriteNotes' rows as SaveF0 does.
func (h *HeardFile) SaveNotes(path string) error { return h.save(path, h.WriteNotes) }

func (h *HeardFile) save(path string, fill func(io.Writer) error) error {
	to, err := os.Stat(path)
	if err == nil {
		if from, err := os.Stat(h.Path); err == nil && os.SameFile(from, to) {
			return fault.New(fault.Conflict, "this is the recording itself").In(path, "").Mended("give the table another name")
		}
	}
	return writeWhole(path, fill)
}
