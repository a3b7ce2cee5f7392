package audiofile

import (
	"bytes"
	"encoding/binary"
	"math"
	"strings"

	"cuechoir/internal/fault"
)

// LoudnessUnset marks a loudness figure that was not measured (EBU Tech 3285
// v2; the value is from memory).
const LoudnessUnset = 0x7FFF

// Loudness holds the figures of bext version 2, each in hundredths: -2300 is
// -23.00 LUFS. LoudnessUnset stands for «not measured».
type Loudness struct {
	Integrated   int16 // LUFS·100 (LoudnessValue)
	Range        int16 // LU·100
	MaxTruePeak  int16 // dBTP·100
	MaxMomentary int16 // LUFS·100
	MaxShortTerm int16 // LUFS·100
}

// Hundredths turns a figure in LUFS, LU or dBTP into a field of Loudness. A
// figure that is not finite or does not fit becomes LoudnessUnset.
func Hundredths(v float64) int16 {
	h := math.Round(v * 100)
	if !(h > -32768 && h < 32767) {
		return LoudnessUnset
	}
	return int16(h)
}

// Bext is the broadcast extension chunk of EBU Tech 3285 v2. Texts are ASCII
// (see BextText) and no longer than the stated number of bytes.
type Bext struct {
	Description         string // at most 256
	Originator          string // at most 32
	OriginatorReference string // at most 32
	Date                string // "yyyy-mm-dd"
	Time                string // "hh:mm:ss"
	TimeReference       int64  // first frame of the file, counted from midnight
	UMID                [64]byte
	Loudness            *Loudness // nil: nothing measured
	CodingHistory       string    // lines ended by CR LF; at most 64 KiB
}

// Places in the chunk's body: EBU Tech 3285 v2, section 2.3.
const (
	bextDescription   = 0
	bextOriginator    = 256
	bextReference     = 288
	bextDate          = 320
	bextTime          = 330
	bextTimeReference = 338
	bextVersion       = 346
	bextUMID          = 348
	bextLoudness      = 412
	bextCodingHistory = 602

	maxCodingHistory = 64 << 10
)

// BextText makes a text fit a field of Bext: characters outside printable
// ASCII become '?', and what is over n bytes is cut.
func BextText(s string, n int) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
	return s[:min(n, len(s))]
}

// body lays the chunk out: 602 bytes and the coding history.
func (b *Bext) body() ([]byte, error) {
	out := make([]byte, bextCodingHistory, bextCodingHistory+len(b.CodingHistory))
	for _, f := range []struct {
		name, text string
		at, size   int
	}{
		{"Description", b.Description, bextDescription, 256},
		{"Originator", b.Originator, bextOriginator, 32},
		{"OriginatorReference", b.OriginatorReference, bextReference, 32},
		{"Date", b.Date, bextDate, 10},
		{"Time", b.Time, bextTime, 8},
	} {
		if err := checkBextText(f.name, f.text, f.size); err != nil {
			return nil, err
		}
		copy(out[f.at:], f.text)
	}
	if err := checkBextText("CodingHistory", b.CodingHistory, maxCodingHistory); err != nil {
		return nil, err
	}
	if b.TimeReference < 0 {
		return nil, fault.New(fault.Usage, "bext: TimeReference %d is before midnight", b.TimeReference)
	}
	binary.LittleEndian.PutUint64(out[bextTimeReference:], uint64(b.TimeReference))
	binary.LittleEndian.PutUint16(out[bextVersion:], 2)
	copy(out[bextUMID:], b.UMID[:])
	l := Loudness{LoudnessUnset, LoudnessUnset, LoudnessUnset, LoudnessUnset, LoudnessUnset}
	if b.Loudness != nil {
		l = *b.Loudness
	}
	for i, v := range []int16{l.Integrated, l.Range, l.MaxTruePeak, l.MaxMomentary, l.MaxShortTerm} {
		binary.LittleEndian.PutUint16(out[bextLoudness+2*i:], uint16(v))
	}
	return append(out, b.CodingHistory...), nil
}

func checkBextText(field, s string, size int) error {
	if len(s) > size {
		return fault.New(fault.Usage, "bext: %s is %d bytes long, and %d fit", field, len(s), size)
	}
	for i := 0; i < len(s); i++ {
		if s[i] > '~' || s[i] < ' ' && s[i] != '\r' && s[i] != '\n' {
			return fault.New(fault.Usage, "bext: %s holds a byte that is not ASCII text", field)
		}
	}
	return nil
}

// parseBext reads the body of a bext chunk of at least 602 bytes.
func parseBext(p []byte) *Bext {
	text := func(at, size int) string {
		t := p[at : at+size]
		if i := bytes.IndexByte(t, 0); i >= 0 {
			t = t[:i]
		}
		return string(t)
	}
	b := &Bext{
		Description:         text(bextDescription, 256),
		Originator:          text(bextOriginator, 32),
		OriginatorReference: text(bextReference, 32),
		Date:                text(bextDate, 10),
		Time:                text(bextTime, 8),
		TimeReference:       int64(binary.LittleEndian.Uint64(p[bextTimeReference:]) & math.MaxInt64),
		CodingHistory:       strings.TrimRight(string(p[bextCodingHistory:]), "\x00"),
	}
	version := binary.LittleEndian.Uint16(p[bextVersion:])
	if version >= 1 {
		copy(b.UMID[:], p[bextUMID:])
	}
	if version >= 2 {
		at := func(i int) int16 { return int16(binary.LittleEndian.Uint16(p[bextLoudness+2*i:])) }
		l := Loudness{at(0), at(1), at(2), at(3), at(4)}
		if l != (Loudness{LoudnessUnset, LoudnessUnset, LoudnessUnset, LoudnessUnset, LoudnessUnset}) {
			b.Loudness = &l
		}
	}
	return b
}
