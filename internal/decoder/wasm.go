package decoder

import (
	"bytes"
	"compress/gzip"
	_ "embed" // for the module below
	"io"
	"strings"

	"cuechoir/internal/fault"
)

// packedModule is the WebAssembly module, gzipped. It stays packed in the
// program's read-only pages until a video is read.
//
//go:embed ffmpreg.wasm.gz
var packedModule string

// maxModuleBytes bounds the unpacked module (it is 20 MB).
const maxModuleBytes = 64 << 20

func unpackModule() ([]byte, error) {
	z, err := gzip.NewReader(strings.NewReader(packedModule))
	if err != nil {
		return nil, fault.New(fault.Unexpected, "the embedded video decoder cannot be unpacked").Because(err)
	}
	var b bytes.Buffer
	b.Grow(21 << 20)
	if _, err := io.Copy(&b, io.LimitReader(z, maxModuleBytes)); err != nil {
		return nil, fault.New(fault.Unexpected, "the embedded video decoder cannot be unpacked").Because(err)
	}
	return b.Bytes(), nil
}
