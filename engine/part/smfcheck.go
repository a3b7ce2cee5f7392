package part

import (
	"encoding/binary"
	"fmt"
	"io"

	"cuechoir/internal/fault"
)

// The walk over a Standard MIDI File that comes before it is decoded: each
// length is held against the bytes that are there, each status against the
// standard (Standard MIDI Files 1.0, from memory), so that the decoder never
// meets a false one. Nothing is kept but where the tracks lie.

// Bounds of a file.
const (
	maxSMFBytes  = 8 << 20
	maxSMFTracks = 1024
	maxSMFEvents = 1_000_000
)

// smfFile is a file found sound.
type smfFile struct {
	format   int
	division int      // ticks a quarter
	tracks   [][]byte // the events of each MTrk chunk
	notes    []string // for the person: oddities that do no harm
}

// walker goes over bytes and knows where it is.
type walker struct {
	name string
	data []byte
	at   int
	end  int // of the chunk
}

func (w *walker) bad(at int, what string, args ...any) error {
	return fault.New(fault.Malformed, what, args...).In(w.name, fmt.Sprintf("byte %d", at)).
		Mended("export the file again from the program that made it")
}

// readAll takes a file up to maxSMFBytes.
func readAll(r io.Reader, name string) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxSMFBytes+1))
	if err != nil {
		return nil, fault.New(fault.Unexpected, "%s could not be read", name).Because(err)
	}
	if len(data) > maxSMFBytes {
		return nil, fault.New(fault.OverLimit, "the file is larger than %d MiB", maxSMFBytes>>20).In(name, "")
	}
	return data, nil
}

// checkSMF walks a file.
func checkSMF(name string, data []byte) (*smfFile, error) {
	w := &walker{name: name, data: data}
	f, declared, err := w.header()
	if err != nil {
		return nil, err
	}
	events := 0
	for w.at < len(data) {
		if len(data)-w.at < 8 {
			if len(f.tracks) < declared {
				return nil, w.bad(w.at, "the file ends inside a chunk's header")
			}
			f.notes = append(f.notes, fmt.Sprintf("%d bytes after the last track were passed over", len(data)-w.at))
			break
		}
		at, kind := w.at, string(data[w.at:w.at+4])
		length := int64(binary.BigEndian.Uint32(data[w.at+4:]))
		if length > int64(len(data)-w.at-8) {
			return nil, w.bad(at, "a chunk says that it holds %d bytes, and %d are left", length, len(data)-w.at-8)
		}
		w.at += 8
		w.end = w.at + int(length)
		if kind != "MTrk" { // the standard asks to pass over chunks of other kinds
			w.at = w.end
			continue
		}
		if len(f.tracks) == maxSMFTracks {
			return nil, fault.New(fault.OverLimit, "the file has more than %d tracks", maxSMFTracks).In(name, fmt.Sprintf("byte %d", at))
		}
		f.tracks = append(f.tracks, data[w.at:w.end])
		if err := w.track(&events); err != nil {
			return nil, err
		}
	}
	if len(f.tracks) < declared {
		return nil, w.bad(len(data), "the file ends after %d of its %d tracks", len(f.tracks), declared)
	}
	if len(f.tracks) > declared {
		f.notes = append(f.notes, fmt.Sprintf("the file says that it has %d tracks, and has %d", declared, len(f.tracks)))
	}
	return f, nil
}

// header reads MThd: format, tracks, division.
func (w *walker) header() (*smfFile, int, error) {
	d := w.data
	if len(d) >= 4 && string(d[:4]) == "RIFF" {
		return nil, 0, fault.New(fault.Unsupported, "this is a RIFF MIDI file").In(w.name, "byte 0").Mended("export it as a Standard MIDI File (.mid)")
	}
	if len(d) < 14 || string(d[:4]) != "MThd" {
		return nil, 0, fault.New(fault.Malformed, "this is not a Standard MIDI File").In(w.name, "byte 0").Mended("choose a .mid file")
	}
	length := binary.BigEndian.Uint32(d[4:])
	if length < 6 || int64(length) > int64(len(d)-8) {
		return nil, 0, w.bad(4, "the header says that it has %d bytes", length)
	}
	f := &smfFile{format: int(binary.BigEndian.Uint16(d[8:]))}
	tracks, division := int(binary.BigEndian.Uint16(d[10:])), binary.BigEndian.Uint16(d[12:])
	place := func(e *fault.Error, at int) error { return e.In(w.name, fmt.Sprintf("byte %d", at)) }
	switch {
	case f.format > 2:
		return nil, 0, place(fault.New(fault.Unsupported, "MIDI file format %d is not known", f.format).Mended("export it as format 0 or 1"), 8)
	case division&0x8000 != 0:
		return nil, 0, place(fault.New(fault.Unsupported, "the file counts in SMPTE frames, not in beats").Mended("export it with ticks per quarter note"), 12)
	case division == 0:
		return nil, 0, w.bad(12, "the file has 0 ticks a quarter")
	case tracks == 0:
		return nil, 0, w.bad(10, "the file has no tracks")
	}
	f.division = int(division)
	w.at = 8 + int(length)
	return f, tracks, nil
}

// track walks the events of a chunk up to its end.
func (w *walker) track(events *int) error {
	running := byte(0)
	for {
		at := w.at
		if at >= w.end {
			return w.bad(at, "a track ends without its end-of-track event")
		}
		if *events++; *events > maxSMFEvents {
			return fault.New(fault.OverLimit, "the file has more than %d events", maxSMFEvents).In(w.name, fmt.Sprintf("byte %d", at))
		}
		if _, err := w.vlq("a time"); err != nil {
			return err
		}
		last, err := w.event(&running)
		if err != nil {
			return err
		}
		if last {
			if w.at != w.end {
				return w.bad(w.at, "a track goes on after its end-of-track event")
			}
			return nil
		}
	}
}

// event walks one event; last reports the end of the track.
func (w *walker) event(running *byte) (last bool, err error) {
	at := w.at
	if at >= w.end {
		return false, w.bad(at, "a track ends inside an event")
	}
	status := w.data[at]
	switch {
	case status < 0x80:
		if *running == 0 {
			return false, w.bad(at, "an event has no status byte")
		}
		return false, w.channel(*running)
	case status < 0xF0:
		w.at++
		*running = status
		return false, w.channel(status)
	}
	*running = 0 // sysex and meta events end it
	w.at++
	switch status {
	case 0xF0, 0xF7:
		return false, w.skip("a system message")
	case 0xFF:
		return w.meta()
	}
	return false, w.bad(at, "status %02X does not belong in a file", status)
}

// channel walks the data bytes of a channel message.
func (w *walker) channel(status byte) error {
	n := 2
	if kind := status & 0xF0; kind == 0xC0 || kind == 0xD0 {
		n = 1
	}
	for range n {
		if w.at >= w.end {
			return w.bad(w.at, "a track ends inside an event")
		}
		if w.data[w.at] >= 0x80 {
			return w.bad(w.at, "an event's data byte is %02X", w.data[w.at])
		}
		w.at++
	}
	return nil
}

// metaLengths are those that the standard fixes.
var metaLengths = map[byte]int{0x20: 1, 0x21: 1, 0x2F: 0, 0x51: 3, 0x54: 5, 0x58: 4, 0x59: 2}

func (w *walker) meta() (last bool, err error) {
	at := w.at
	if at >= w.end {
		return false, w.bad(at, "a track ends inside an event")
	}
	kind := w.data[at]
	w.at++
	if kind >= 0x80 {
		return false, w.bad(at, "a meta event has the type %02X", kind)
	}
	start := w.at
	length, err := w.vlq("a meta event's length")
	if err != nil {
		return false, err
	}
	if want, fixed := metaLengths[kind]; fixed && length != want {
		return false, w.bad(start, "meta event %02X has %d bytes, and not %d", kind, length, want)
	}
	return kind == 0x2F, w.pass(start, length, "a meta event")
}

// skip passes over a length and as many bytes.
func (w *walker) skip(what string) error {
	at := w.at
	n, err := w.vlq(what + "'s length")
	if err != nil {
		return err
	}
	return w.pass(at, n, what)
}

func (w *walker) pass(at, n int, what string) error {
	if n > w.end-w.at {
		return w.bad(at, "%s says that it has %d bytes, and %d are left", what, n, w.end-w.at)
	}
	w.at += n
	return nil
}

// vlq reads a variable-length quantity: at most four bytes, 28 bits.
func (w *walker) vlq(what string) (int, error) {
	at, v := w.at, 0
	for range 4 {
		if w.at >= w.end {
			return 0, w.bad(w.at, "a track ends inside %s", what)
		}
		b := w.data[w.at]
		w.at++
		v = v<<7 | int(b&0x7F)
		if b < 0x80 {
			return v, nil
		}
	}
	return 0, w.bad(at, "%s is longer than four bytes", what)
}

// clean is the file with nothing but its header and its tracks.
func (f *smfFile) clean() []byte {
	out := append([]byte("MThd"), 0, 0, 0, 6)
	format := f.format
	if format == 0 && len(f.tracks) > 1 {
		format = 1
	}
	out = binary.BigEndian.AppendUint16(out, uint16(format))
	out = binary.BigEndian.AppendUint16(out, uint16(len(f.tracks)))
	out = binary.BigEndian.AppendUint16(out, uint16(f.division))
	for _, t := range f.tracks {
		out = append(out, "MTrk"...)
		out = binary.BigEndian.AppendUint32(out, uint32(len(t)))
		out = append(out, t...)
	}
	return out
}
