// Package pinned proves that the decoder beside it is the one that go.mod
// pins. It stands alone because go-ffmpreg/embed unpacks 20 MB at each start
// of whatever links it.
package pinned

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"testing"

	"codeberg.org/gruf/go-ffmpreg/embed"
)

func TestModuleIsThePinnedOne(t *testing.T) {
	f, err := os.Open("../ffmpreg.wasm.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	ours, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	pinned := embed.B()
	if len(pinned) < 10<<20 {
		t.Fatalf("the pinned module is only %d bytes", len(pinned))
	}
	if !bytes.Equal(ours, pinned) {
		t.Fatalf("ffmpreg.wasm.gz (%d bytes unpacked) is not the module of go.mod's go-ffmpreg (%d bytes)", len(ours), len(pinned))
	}
}
