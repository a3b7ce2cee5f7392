package audiofile

import (
	"encoding/binary"
	"fmt"
	"io"

	"cuechoir/internal/fault"
)

// Ogg (RFC 3533): pages of up to 255 segments of up to 255 bytes; a packet is
// a run of segments and ends with one of under 255.
const (
	oggHeadBytes = 27
	oggContinued = 1
	oggFirst     = 2
	oggLast      = 4

	maxOggHeaders = 1 << 20 // bytes of the three header packets together
)

// oggPage is one page of a file.
type oggPage struct {
	at       int64
	flags    byte
	granule  int64 // the frame count at the end of the last packet that ends here; -1: none does
	serial   uint32
	sequence uint32
	lacing   []byte
	body     []byte
}

func (p *oggPage) end() int64 {
	return p.at + oggHeadBytes + int64(len(p.lacing)) + int64(len(p.body))
}

// oggTable is the table of the page checksum: polynomial 0x04c11db7, most
// significant bit first, no inversions (RFC 3533, section 6).
var oggTable = func() (t [256]uint32) {
	for i := range t {
		c := uint32(i) << 24
		for range 8 {
			c = c<<1 ^ 0x04c11db7*(c>>31)
		}
		t[i] = c
	}
	return t
}()

func oggSum(sum uint32, b []byte) uint32 {
	for _, v := range b {
		sum = sum<<8 ^ oggTable[byte(sum>>24)^v]
	}
	return sum
}

// oggPageAt reads and checks the page at a place. The page is good until the
// next call. A page that is cut off is io.ErrUnexpectedEOF.
func oggPageAt(w *window, at int64, name string) (*oggPage, error) {
	fail := func(format string, args ...any) error {
		return fault.New(fault.Malformed, format, args...).In(name, fmt.Sprintf("byte %d", at)).Mended("take another copy of the file")
	}
	h := w.bytes(at, oggHeadBytes)
	if h == nil {
		return nil, io.ErrUnexpectedEOF
	}
	if string(h[:5]) != "OggS\x00" {
		return nil, fail("an Ogg page should start here, and does not")
	}
	segments := int(h[26])
	h = w.bytes(at, oggHeadBytes+segments)
	if h == nil {
		return nil, io.ErrUnexpectedEOF
	}
	size := 0
	for _, n := range h[oggHeadBytes:] {
		size += int(n)
	}
	all := w.bytes(at, oggHeadBytes+segments+size)
	if all == nil {
		return nil, io.ErrUnexpectedEOF
	}
	le := binary.LittleEndian
	p := &oggPage{
		at: at, flags: all[5], granule: int64(le.Uint64(all[6:])), serial: le.Uint32(all[14:]), sequence: le.Uint32(all[18:]),
		lacing: all[oggHeadBytes:][:segments], body: all[oggHeadBytes+segments:],
	}
	sum := oggSum(oggSum(oggSum(0, all[:22]), make([]byte, 4)), all[26:])
	if sum != le.Uint32(all[22:]) {
		return nil, fail("the checksum of an Ogg page is wrong")
	}
	return p, nil
}

// appendOggPages lays a packet out as pages of its own.
func appendOggPages(out []byte, packet []byte, flags byte, serial, sequence uint32) ([]byte, uint32) {
	const most = 254 * 255
	le := binary.LittleEndian
	for last := false; !last; {
		part := packet[:min(len(packet), most)]
		lacing := make([]byte, 0, 255)
		for range len(part) / 255 {
			lacing = append(lacing, 255)
		}
		packet = packet[len(part):]
		if last = len(part) < most; last {
			lacing = append(lacing, byte(len(part)%255))
		}
		at := len(out)
		out = append(out, "OggS\x00"...)
		out = append(out, flags)
		out = le.AppendUint64(out, 0) // headers have granule 0
		out = le.AppendUint32(out, serial)
		out = le.AppendUint32(out, sequence)
		out = append(out, 0, 0, 0, 0, byte(len(lacing)))
		out = append(append(out, lacing...), part...)
		le.PutUint32(out[at+22:], oggSum(0, out[at:]))
		flags, sequence = oggContinued, sequence+1
	}
	return out, sequence
}
