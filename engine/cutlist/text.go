package cutlist

import (
	"bytes"
	"io"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// readText reads a whole file of at most MaxListBytes that holds text: no
// zero bytes, and UTF-8 when strict.
func readText(r io.Reader, name string, strict bool) (string, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxListBytes+1))
	if err != nil {
		return "", fault.New(fault.Unexpected, "reading the list of cuts").In(name, "").Because(err)
	}
	if len(data) > MaxListBytes {
		return "", fault.New(fault.OverLimit, "the list is larger than %d MiB", MaxListBytes>>20).In(name, "").
			Mended("check that this is the right file, or hand over the picture track alone")
	}
	if bytes.IndexByte(data, 0) >= 0 || strict && !utf8.Valid(data) {
		return "", fault.New(fault.Malformed, "this is not a text file").In(name, "").Mended("save it as plain text in UTF-8")
	}
	return string(bytes.TrimPrefix(data, []byte("\ufeff"))), nil
}
