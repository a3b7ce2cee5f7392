package take

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"slices"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// Reader reads the samples of one take in order. It is for one goroutine.
type Reader struct {
	file *os.File
	wav  *audiofile.Reader
}

// Read fills dst and says how many; 0 and io.EOF at the end.
func (r *Reader) Read(dst []float32) (int, error) {
	if len(dst) == 0 {
		return 0, nil
	}
	return r.wav.Read(dst)
}

// SeekSample makes the next Read start at the take's sample n, 0 to Frames.
func (r *Reader) SeekSample(n int64) error { return r.wav.SeekFrame(n) }

// Frames is the number of samples.
func (r *Reader) Frames() int64 { return r.wav.Frames() }

// Close gives the file back.
func (r *Reader) Close() error { return r.file.Close() }

// Load opens a take that has ended. Errors: Usage (no such name may be),
// Missing, Malformed, Conflict (it is being recorded, or was cut off and not
// recovered yet).
func Load(dir, layer, id string) (Info, *Reader, error) {
	if err := checkID(id); err != nil {
		return Info{}, nil, err
	}
	f, err := openLayer(dir, layer, false)
	if err != nil {
		return Info{}, nil, err
	}
	defer f.Close()
	info, err := f.readSidecar(layer, id)
	if err != nil {
		return Info{}, nil, err
	}
	name := place(layer, wavName(id))
	if info.State == Recording {
		return Info{}, nil, fault.New(fault.Conflict, "this take is being recorded, or was cut off").In(name, "").
			Mended("if no other program records, recover the takes first")
	}
	r, err := f.openSound(name, wavName(id))
	if err != nil {
		return Info{}, nil, err
	}
	if fm := r.wav.Format(); fm.Channels != 1 || fm.Bits != 24 || fm.Float || fm.SampleRate != info.SampleRate || r.Frames() != info.Frames {
		r.Close()
		return Info{}, nil, fault.New(fault.Malformed, "the sound (%s, %d samples) is not the one described (%d Hz, 1 channel, 24-bit, %d samples)",
			fm, r.Frames(), info.SampleRate, info.Frames).In(name, "").Mended("put the take's own file back")
	}
	return info, r, nil
}

// openSound opens a take's WAV file.
func (f rootFolder) openSound(place, name string) (*Reader, error) {
	h, st, err := f.open(name, os.O_RDONLY)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fault.New(fault.Missing, "the sound of this take is gone").In(place, "").Mended("put the file back")
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be opened").In(place, "").Because(err)
	}
	wav, err := audiofile.NewWAVReader(h, st.Size(), place)
	if err != nil {
		h.Close()
		return nil, err
	}
	return &Reader{h, wav}, nil
}

// List gives the takes of a layer by number, those that are being recorded
// too. A layer without takes has none. A sidecar that cannot be read is an
// error, with the others in the list.
func List(dir, layer string) ([]Info, error) {
	f, err := openLayer(dir, layer, false)
	if fault.KindOf(err) == fault.Missing {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	names, err := f.Names()
	if err != nil {
		return nil, diskFault(place(layer, ""), "the layer's folder cannot be read", err)
	}
	var list []Info
	var broken error
	for _, id := range sortedIDs(names) {
		info, err := f.readSidecar(layer, id)
		if err != nil {
			broken = errors.Join(broken, err)
			continue
		}
		list = append(list, info)
	}
	return list, broken
}

func sortedIDs(names []string) []string {
	var ids []string
	for id := range takeIDs(names) {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b string) int {
		if d := numberOf(a) - numberOf(b); d != 0 {
			return d
		}
		return len(a) - len(b)
	})
	return ids
}

// Verify reads a whole take and holds it against its checksum. Errors: as
// Load, and Malformed when the sound has changed.
func Verify(dir, layer, id string) error {
	info, r, err := Load(dir, layer, id)
	if err != nil {
		return err
	}
	defer r.Close()
	sum, _, err := checksum(r)
	if err != nil {
		return err
	}
	if sum != info.Checksum {
		return fault.New(fault.Malformed, "the sound has changed since it was recorded (checksum %08x, was %08x)", sum, info.Checksum).
			In(place(layer, wavName(id)), "").Mended("put the take's own file back from a copy")
	}
	return nil
}

// checksum reads what is left of r: its CRC-32C and its peak.
func checksum(r *Reader) (sum uint32, peak float64, err error) {
	table := crc32.MakeTable(crc32.Castagnoli)
	x := make([]float32, 1<<14)
	var packed []byte
	for {
		n, err := r.Read(x)
		for _, v := range x[:n] {
			peak = max(peak, float64(v), -float64(v))
		}
		packed = packSamples(packed[:0], x[:n])
		sum = crc32.Update(sum, table, packed)
		if err == io.EOF {
			return sum, peak, nil
		}
		if err != nil {
			return 0, 0, fmt.Errorf("after %d samples: %w", n, err)
		}
	}
}
