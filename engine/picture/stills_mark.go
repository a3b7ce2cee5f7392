package picture

import (
	"crypto/sha256"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"

	"cuechoir/internal/fault"
)

// Mark tells one video file from another by its content, wherever it lies: its
// length, and a hash of that and of some of its bytes.
type Mark struct {
	Bytes int64
	Sum   [sha256.Size]byte
}

// Marks read blocks spread evenly over a file, its first and last bytes among
// them, rather than gigabytes.
const (
	markBlock  = 64 << 10
	markBlocks = 16
)

// MarkOf reads a file's mark: at most 1 MiB of it. within, when it is not "",
// is a folder that the file must not leave, links too. Errors: Missing.
func MarkOf(path, within string) (Mark, error) {
	f, err := openInside(path, within)
	if err != nil {
		return Mark{}, fault.New(fault.Missing, "the file cannot be read").In(path, "").Because(err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return Mark{}, fault.New(fault.Missing, "the file cannot be read").In(path, "").Because(err)
	}
	m := Mark{Bytes: st.Size()}
	h := sha256.New()
	binary.Write(h, binary.LittleEndian, m.Bytes) // a hash never fails
	last := max(m.Bytes-markBlock, 0)
	block := make([]byte, markBlock)
	for i := range int64(markBlocks) {
		n, err := f.ReadAt(block, last*i/(markBlocks-1))
		if err != nil && err != io.EOF {
			return Mark{}, fault.New(fault.Missing, "the file cannot be read").In(path, "").Because(err)
		}
		h.Write(block[:n])
		if last == 0 {
			break // no longer than one block: that was all of it
		}
	}
	h.Sum(m.Sum[:0])
	return m, nil
}

func openInside(path, within string) (*os.File, error) {
	if within == "" {
		return os.Open(path)
	}
	base, err := filepath.Abs(within)
	if err != nil {
		return nil, err
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	rel, err := filepath.Rel(base, abs)
	if err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(base)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	return root.Open(rel)
}
