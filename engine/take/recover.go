package take

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// Found is one take that was cut off.
type Found struct {
	Info     Info
	Unplaced bool  // its description was lost: where it starts is not known
	Empty    bool  // it held no sample; its files are gone
	Err      error // it could not be mended; its files are as they were
}

// Recover finds the takes in the score's folder that were cut off, mends them
// and marks them recovered. Takes that another program is recording are left
// alone. A take that cannot be mended stays as it is and is told in its Found;
// the error is for when nothing could be looked at.
func Recover(dir string) ([]Found, error) {
	layers, err := Layers(dir)
	if err != nil {
		return nil, err
	}
	var found []Found
	for _, layer := range layers {
		f, err := openLayer(dir, layer, false)
		if err != nil {
			return found, err
		}
		names, err := f.Names()
		if err != nil {
			f.Close()
			return found, diskFault(place(layer, ""), "the layer's folder cannot be read", err)
		}
		for _, id := range sortedIDs(names) {
			if got, ok := f.recoverOne(dir, layer, id); ok {
				found = append(found, got)
			}
		}
		f.Close()
	}
	return found, nil
}

// Layers are the names of the layers that have a folder for takes, in order.
func Layers(dir string) ([]string, error) {
	score, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fault.New(fault.Missing, "the score's folder cannot be opened").In(dir, "").Because(err)
	}
	defer score.Close()
	entries, err := fs.ReadDir(score.FS(), takesFolder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "the takes cannot be listed").In(takesFolder, "").Because(err)
	}
	var names []string
	for _, e := range entries {
		if e.IsDir() && CheckLayer(e.Name()) == nil { // a link is not a folder here
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names, nil
}

// recoverOne looks at one take, and mends it when it was cut off.
func (f rootFolder) recoverOne(dir, layer, id string) (Found, bool) {
	info, err := f.readSidecar(layer, id)
	if err == nil && info.State != Recording {
		return Found{}, false
	}
	name := place(layer, wavName(id))
	lost := fault.KindOf(err) == fault.Missing
	if err != nil && !lost {
		return Found{Info: Info{ID: id, Layer: layer}, Err: err}, true
	}
	h, _, err := f.open(wavName(id), os.O_RDWR)
	if errors.Is(err, fs.ErrNotExist) {
		return Found{Info: info, Err: fault.New(fault.Missing, "the sound of this take is gone").In(name, "").
			Mended("put the file back, or delete %s", place(layer, sidecarName(id)))}, true
	}
	if err != nil {
		return Found{Info: info, Err: fault.New(fault.Unexpected, "it cannot be opened").In(name, "").Because(err)}, true
	}
	defer h.Close()
	if err := lock(h); err != nil {
		return Found{}, false // another program is recording it
	}
	// It may have been finished between the look and the lock.
	if again, err := f.readSidecar(layer, id); err == nil {
		if info, lost = again, false; again.State != Recording {
			return Found{}, false
		}
	}
	if lost {
		info = Info{Version: infoVersion, ID: id, Layer: layer, RoundTripKnown: Unknown, State: Recording,
			Created: modTime(h)}
	}
	if lost && headless(h) {
		h.Close() // some systems remove no open file
		f.root.Remove(wavName(id))
		return Found{Info: info, Unplaced: true, Empty: true}, true
	}
	got, err := f.mend(dir, info, h)
	if err != nil {
		return Found{Info: info, Unplaced: lost, Err: err}, true
	}
	return Found{Info: got, Unplaced: lost, Empty: got.Frames == 0}, true
}

// leastWAV is the smallest head of a WAV file, in bytes.
const leastWAV = 44

// headless: the program died before the head was written, so no sample was.
func headless(h *os.File) bool {
	b := make([]byte, leastWAV)
	n, err := h.ReadAt(b, 0)
	return errors.Is(err, io.EOF) && strings.HasPrefix("RIFF", string(b[:min(n, 4)]))
}

func modTime(h *os.File) time.Time {
	st, err := h.Stat()
	if err != nil {
		return time.Time{}
	}
	return st.ModTime().UTC().Truncate(time.Second)
}

// mend repairs the sound and writes the description anew. h is the sound,
// locked.
func (f rootFolder) mend(dir string, info Info, h *os.File) (Info, error) {
	name := place(info.Layer, wavName(info.ID))
	path := filepath.Join(dir, filepath.FromSlash(name))
	// Repair goes by path: it must be the very file that was opened inside.
	here, err := h.Stat()
	if err != nil {
		return info, fault.New(fault.Unexpected, "it cannot be looked at").In(name, "").Because(err)
	}
	if there, err := os.Lstat(path); err != nil || !os.SameFile(here, there) {
		return info, fault.New(fault.Conflict, "it moved while it was mended").In(name, "").Because(err).Mended("try again")
	}
	frames, err := audiofile.Repair(path)
	if err != nil {
		return info, err
	}
	if frames == 0 {
		f.root.Remove(wavName(info.ID))
		f.root.Remove(sidecarName(info.ID))
		f.root.Remove(sidecarName(info.ID) + tempSuffix)
		info.Frames = 0
		return info, nil
	}
	r, err := f.openSound(name, wavName(info.ID))
	if err != nil {
		return info, err
	}
	defer r.Close()
	info.SampleRate, info.Frames = r.wav.Format().SampleRate, r.Frames()
	if info.Checksum, info.Peak, err = checksum(r); err != nil {
		return info, err
	}
	info.Dropouts, info.Unheard = within(info.Dropouts, frames), within(info.Unheard, frames)
	info.State = Recovered
	if info.Stopped == "" {
		info.Stopped = "the recording was cut off"
	}
	if err := (diskFile{h}).Sync(); err != nil {
		return info, diskFault(name, "the take could not be put on the disk", err)
	}
	if err := replace(f, sidecarName(info.ID), info.encode()); err != nil {
		return info, diskFault(place(info.Layer, sidecarName(info.ID)), "the take's description could not be written", err)
	}
	return info, nil
}

// within cuts spans to a take of frames samples.
func within(spans []Dropout, frames int64) []Dropout {
	var kept []Dropout
	for _, d := range spans {
		if d.Sample < frames {
			d.Length = min(d.Length, frames-d.Sample)
			kept = append(kept, d)
		}
	}
	return kept
}
