package cutlist

import (
	"bytes"
	"io"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// readText reads a whole file of at most limit bytes that holds text: no zero
// bytes, and UTF-8 when strict. A byte order mark is taken off.
func readText(r io.Reader, name string, limit int, strict bool) (string, error) {
	data, err := io.ReadAll(io.LimitReader(r, int64(limit)+1))
	if err != nil {
		return "", fault.New(fault.Unexpected, "reading the list").In(name, "").Because(err)
	}
	if len(data) > limit {
		return "", fault.New(fault.OverLimit, "the list is larger than %d MiB", limit>>20).In(name, "").
			Mended("check that this is the right file, or split it")
	}
	if bytes.IndexByte(data, 0) >= 0 || strict && !utf8.Valid(data) {
		return "", fault.New(fault.Malformed, "this is not a text file").In(name, "").Mended("save it as plain text in UTF-8")
	}
	return string(bytes.TrimPrefix(data, []byte("\ufeff"))), nil
}
