package audiofile

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"

	"cuechoir/internal/fault"
)

// Repair makes a killed WAV recording whole, in place, so that each reader
// agrees on its length: a broken frame at the end is cut off, the sizes in the
// header are set to what is there, and the file is synced. A file that needs
// nothing is left as it is. It gives the number of frames. Running it again
// after it was stopped half way finishes the work. Errors: Missing,
// Malformed, Unsupported for other forms than WAV and for a file past 4 GiB
// with no room for 64-bit sizes, DiskFull, Unexpected.
func Repair(path string) (frames int64, err error) {
	f, size, err := openRegular(path, os.O_RDWR)
	if err != nil {
		return 0, err
	}
	defer func() {
		if e := f.Close(); e != nil && err == nil {
			err = writeFault(path, e)
		}
	}()
	w, err := parseWAV(f, size, path)
	if err != nil {
		return 0, err
	}
	frames = w.dataBytes / int64(w.fm.FrameBytes())
	if !w.truncated {
		return frames, nil
	}
	if err := w.mend(f, frames); err != nil {
		return 0, err
	}
	return frames, nil
}

// mend cuts the file behind its last whole frame and rewrites the sizes. The
// mark of an open recording goes last, so that a stop in between leaves a file
// that is mended anew.
func (w *wav) mend(f *os.File, frames int64) error {
	end, pad := w.dataAt+w.dataBytes, w.dataBytes%2 // a chunk is padded by its own size, wherever it stands
	patches, err := w.sizePatches(f, frames, end+pad)
	if err != nil {
		return err
	}
	if err := f.Truncate(end); err != nil {
		return writeFault(w.name, err)
	}
	if pad == 1 {
		patches = append([]patch{{end, []byte{0}}}, patches...)
	}
	for _, p := range patches {
		if _, err := f.WriteAt(p.bytes, p.at); err != nil {
			return writeFault(w.name, err)
		}
	}
	if err := f.Sync(); err != nil {
		return writeFault(w.name, err)
	}
	return nil
}

// patch is bytes to put at a place.
type patch struct {
	at    int64
	bytes []byte
}

// sizePatches lists what has to change in the header of a file of `total`
// bytes.
func (w *wav) sizePatches(f *os.File, frames, total int64) ([]patch, error) {
	le := binary.LittleEndian
	head := make([]byte, min(w.dataAt, headState+8+int64(len(stateOpen))))
	if _, err := f.ReadAt(head, 0); err != nil {
		return nil, writeFault(w.name, err)
	}
	riff, data := uint32(min(total-8, unsized)), uint32(min(w.dataBytes, unsized))
	var patches []patch
	if w.rf64 || total-8 > math.MaxUint32-1 {
		id := "RF64"
		if w.rf64 {
			id = string(head[:4])
		}
		if len(head) < headDS64+8+28 || (string(head[headDS64:headDS64+4]) != "JUNK" && string(head[headDS64:headDS64+4]) != "ds64") ||
			le.Uint32(head[headDS64+4:]) < 28 {
			return nil, fault.New(fault.Unsupported, "the file is past 4 GiB and has no room for 64-bit sizes").
				In(w.name, fmt.Sprintf("byte %d", headDS64)).Mended(mendConvert)
		}
		ds64 := le.AppendUint64(nil, uint64(total-8))
		ds64 = le.AppendUint64(ds64, uint64(w.dataBytes))
		ds64 = le.AppendUint64(ds64, uint64(frames))
		ds64 = le.AppendUint32(ds64, 0)
		patches = append(patches, patch{headDS64 + 8, ds64}, patch{headDS64, []byte("ds64")}, patch{0, []byte(id)})
		riff, data = unsized, unsized
	}
	patches = append(patches,
		patch{4, le.AppendUint32(nil, riff)},
		patch{w.dataAt - 4, le.AppendUint32(nil, data)})
	if w.factAt > 0 {
		patches = append(patches, patch{w.factAt, le.AppendUint32(nil, uint32(min(frames, unsized)))})
	}
	if w.stillOpenAt > 0 {
		patches = append(patches, patch{w.stillOpenAt, []byte(stateClosed)})
	}
	return patches, nil
}
