package take

import (
	"errors"
	"hash"
	"hash/crc32"
	"io/fs"
	"math"
	"strings"
	"time"

	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

const (
	bytesPerSample = 3 // 24 bits
	// syncsPerSecond keeps the loss of a power cut, the time of the sync
	// itself included, under a second.
	syncsPerSecond = 2
	// keepFree is left on the disk, so that the descriptions can still be
	// written and the system lives on.
	keepFree = 32 << 20
	// createTries bounds the search for a free number when several programs
	// record one layer at a time.
	createTries = 1000
)

// Writer records one take. It is for one goroutine, which is not the audio
// thread: it writes and syncs.
type Writer struct {
	dir    string // of the score
	folder folder
	close  func() error // of the folder
	file   file
	wav    *audiofile.Writer
	info   Info
	sum    hash.Hash32
	packed []byte
	unsync int64 // samples since the last sync
	syncs  int   // since the last sidecar
	dirty  bool  // the sidecar lags behind
	left   int64 // samples of room, -1 unknown
	failed error // what stopped Append
	closed bool
}

// Create begins a take of a layer in the score's folder dir, under the next
// free number. Of info it takes Start, SampleRate, Device, Input, RoundTrip
// RoundTripKnown ("" is assumed-zero), Elsewhere and Created (zero: now). Errors:
// Usage, Missing (no such folder), DiskFull, Unexpected.
func Create(dir, layer string, info Info) (*Writer, error) {
	f, err := openLayer(dir, layer, true)
	if err != nil {
		return nil, err
	}
	w, err := createIn(f, layer, info)
	if err != nil {
		f.Close()
		return nil, err
	}
	w.dir, w.close = dir, f.Close
	return w, nil
}

// createIn is Create in a folder that is open.
func createIn(f folder, layer string, info Info) (*Writer, error) {
	w := &Writer{folder: f, sum: crc32.New(crc32.MakeTable(crc32.Castagnoli))}
	w.info = Info{
		Version: infoVersion, ID: "0", Layer: layer, Start: info.Start, SampleRate: info.SampleRate,
		Device: clip(info.Device), Input: clip(info.Input), RoundTrip: info.RoundTrip,
		RoundTripKnown: info.RoundTripKnown, State: Recording, Elsewhere: info.Elsewhere, Created: info.Created.UTC().Truncate(time.Second),
	}
	if info.Created.IsZero() {
		w.info.Created = time.Now().UTC().Truncate(time.Second)
	}
	if w.info.RoundTripKnown == "" {
		w.info.RoundTripKnown = AssumedZero
	}
	if err := w.info.check(); err != nil {
		e := *err
		e.Kind = fault.Usage
		return nil, &e
	}
	if err := w.lookAtRoom(); err != nil {
		return nil, err
	}
	if err := w.open(); err != nil {
		return nil, err
	}
	if err := w.begin(); err != nil {
		w.file.Close()
		f.Remove(wavName(w.info.ID)) // holds no sample yet
		f.Remove(sidecarName(w.info.ID))
		return nil, err
	}
	return w, nil
}

// open makes the sound file under the first number that nobody has.
func (w *Writer) open() error {
	names, err := w.folder.Names()
	if err != nil {
		return diskFault(place(w.info.Layer, ""), "the layer's folder cannot be read", err)
	}
	number, taken := 1, takeIDs(names)
	for id := range taken {
		number = max(number, numberOf(id)+1)
	}
	for range createTries {
		id := idOf(number)
		h, err := w.folder.Create(wavName(id))
		switch {
		case err == nil:
			w.file, w.info.ID = h, id
			return nil
		case errors.Is(err, fs.ErrExist) || errors.Is(err, errLocked):
			number++
		default:
			return diskFault(place(w.info.Layer, wavName(id)), "the take's file cannot be made", err)
		}
	}
	return fault.New(fault.Conflict, "no free number for a take was found").In(place(w.info.Layer, ""), "").
		Mended("see which other programs record this layer")
}

// begin writes the header and the first sidecar, and makes both last.
func (w *Writer) begin() error {
	name := place(w.info.Layer, wavName(w.info.ID))
	wav, err := audiofile.NewWriter(w.file, audiofile.Format{SampleRate: w.info.SampleRate, Channels: 1, Bits: 24},
		audiofile.WriterOptions{Name: name})
	if err != nil {
		return err
	}
	w.wav = wav
	if err := w.file.Sync(); err != nil {
		return diskFault(name, "the take could not be put on the disk", err)
	}
	return w.writeSidecar()
}

// Info is the take so far.
func (w *Writer) Info() Info {
	i := w.info
	i.Dropouts = append([]Dropout(nil), i.Dropouts...)
	i.Unheard = append([]Dropout(nil), i.Unheard...)
	return i
}

// Place says anew where the take starts and by which round trip; on the disk
// at once. It is for before the first sample and for a start that turns out
// to be another.
func (w *Writer) Place(start, roundTrip int64, known RoundTripKnown) error {
	old := w.info
	w.info.Start, w.info.RoundTrip, w.info.RoundTripKnown = start, roundTrip, known
	if err := w.info.check(); err != nil {
		w.info = old
		e := *err
		e.Kind = fault.Usage
		return &e
	}
	return w.stop(w.writeSidecar())
}

// Append writes samples (±1 is full scale; what is beyond is held there). After
// an error no more is taken; Finish keeps what there is. Errors: DiskFull,
// when the disk is full or all but full; Unexpected.
func (w *Writer) Append(x []float32) error {
	if w.failed != nil {
		return w.failed
	}
	if w.closed {
		return fault.New(fault.Usage, "the take has ended").In(place(w.info.Layer, wavName(w.info.ID)), "")
	}
	chunk := max(w.info.SampleRate/syncsPerSecond, 1)
	for len(x) > 0 {
		n := min(len(x), chunk)
		before := w.wav.Frames()
		err := w.wav.Write(x[:n])
		w.count(x[:w.wav.Frames()-before])
		if err != nil {
			return w.stop(err)
		}
		x = x[n:]
		if w.unsync >= int64(chunk) {
			if err := w.stop(w.commit()); err != nil {
				return err
			}
		}
	}
	return nil
}

// count takes samples that are in the file into the sums.
func (w *Writer) count(x []float32) {
	w.packed = packSamples(w.packed[:0], x)
	w.sum.Write(w.packed)
	for _, v := range x {
		if a := math.Abs(float64(v)); a > w.info.Peak && a < math.MaxFloat32 {
			w.info.Peak = a
		}
	}
	w.info.Frames += int64(len(x))
	w.info.Checksum = w.sum.Sum32()
	w.unsync += int64(len(x))
}

// packSamples is the 24-bit little-endian form of samples, as audiofile
// stores them: round half away from zero, held within the range.
func packSamples(b []byte, x []float32) []byte {
	const full = 1 << 23
	for _, f := range x {
		v := math.Round(float64(f) * full)
		if v != v {
			v = 0
		}
		n := int32(min(max(v, -full), full-1))
		b = append(b, byte(n), byte(n>>8), byte(n>>16))
	}
	return b
}

// Room is how much more can be recorded before the disk is all but full, and
// false when that is not known. It is looked up twice a second of sound.
func (w *Writer) Room() (time.Duration, bool) {
	if w.left < 0 {
		return 0, false
	}
	return time.Duration(float64(w.left) / float64(w.info.SampleRate) * float64(time.Second)), true
}

// commit makes what is written last.
func (w *Writer) commit() error {
	name := place(w.info.Layer, wavName(w.info.ID))
	w.unsync = 0
	if err := w.wav.Flush(); err != nil {
		return err
	}
	if err := w.file.Sync(); err != nil {
		return diskFault(name, "the take could not be put on the disk", err)
	}
	if err := w.deleted(); err != nil {
		return err
	}
	if w.syncs++; w.dirty || w.syncs >= syncsPerSecond {
		if err := w.writeSidecar(); err != nil {
			if gone := w.deleted(); gone != nil {
				return gone
			}
			return err
		}
	}
	return w.lookAtRoom()
}

// lookAtRoom stops the take before the disk is full.
func (w *Writer) lookAtRoom() error {
	free, known := w.folder.Free()
	if !known {
		w.left = -1
		return nil
	}
	w.left = max((free-keepFree)/bytesPerSample, 0)
	if w.left < int64(w.info.SampleRate) {
		return fault.New(fault.DiskFull, "the disk is all but full: %d MiB are left, and %d are kept free", free>>20, keepFree>>20).
			In(place(w.info.Layer, ""), "").Mended("make room; what is sung so far is kept")
	}
	return nil
}

func (w *Writer) writeSidecar() error {
	w.syncs, w.dirty = 0, false
	if err := replace(w.folder, sidecarName(w.info.ID), w.info.encode()); err != nil {
		w.dirty = true
		return diskFault(place(w.info.Layer, sidecarName(w.info.ID)), "the take's description could not be written", err)
	}
	return nil
}

// stop remembers the first error.
func (w *Writer) stop(err error) error {
	if err != nil && w.failed == nil {
		w.failed = err
	}
	return err
}

// Finish ends the take and keeps it; after a failed Append it keeps what the
// disk has. A take without a sample leaves no file behind (NotMet). When the
// end itself cannot be written the error says so, and Recover makes the take
// whole once there is room. A second Finish is a Usage error.
func (w *Writer) Finish() (Info, error) {
	if w.closed {
		return w.Info(), fault.New(fault.Usage, "the take has ended already")
	}
	w.closed = true
	defer func() {
		if w.close != nil {
			w.close()
		}
	}()
	if w.wav.Frames() == 0 {
		w.file.Close()
		w.folder.Remove(wavName(w.info.ID))
		w.folder.Remove(sidecarName(w.info.ID))
		return Info{}, fault.New(fault.NotMet, "nothing was recorded").In(place(w.info.Layer, wavName(w.info.ID)), "")
	}
	if w.failed != nil && w.info.Stopped == "" {
		w.info.Stopped = clip(w.failed.Error())
	}
	name := place(w.info.Layer, wavName(w.info.ID))
	err := w.wav.Close()
	if e := w.file.Sync(); err == nil && e != nil {
		err = diskFault(name, "the take could not be put on the disk", e)
	}
	if err == nil {
		err = w.markWhole()
	}
	if gone := w.deleted(); gone != nil {
		if w.info.Stopped == "" {
			w.info.Stopped = clip(gone.Error())
		}
		if err = w.rescue(); err == nil {
			err = w.markWhole()
		}
	}
	// The lock goes last: until here nobody else mends this take.
	if e := w.file.Close(); err == nil && e != nil {
		err = diskFault(name, "the take could not be closed", e)
	}
	return w.Info(), err
}

// clip bounds a text for the sidecar, at a whole character.
func clip(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if len(s) <= maxTextBytes {
		return s
	}
	cut := 0
	for i := range s {
		if i > maxTextBytes {
			break
		}
		cut = i
	}
	return s[:cut]
}
