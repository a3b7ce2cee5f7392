package pack

import (
	"archive/zip"
	"context"
	"io"
	"os"
	"path/filepath"
	"time"

	"cuechoir/internal/fault"
)

// parcelTime is the date of each file in a zip: the earliest that the format
// has, so that the same pack is the same bytes (APPNOTE 4.4.6).
var parcelTime = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// Zip writes files of a folder as a zip, under a folder of their own in it, in
// the order given. Errors: Interrupted, Missing, DiskFull.
func Zip(ctx context.Context, w io.Writer, dir, inside string, names []string) error {
	z := zip.NewWriter(w)
	for _, name := range names {
		if ctx.Err() != nil {
			return fault.New(fault.Interrupted, "making the pack was stopped").Because(ctx.Err())
		}
		if err := zipOne(z, dir, inside, name); err != nil {
			return err
		}
	}
	if err := z.Close(); err != nil {
		return fault.New(fault.DiskFull, "the pack cannot be written").Because(err)
	}
	return nil
}

func zipOne(z *zip.Writer, dir, inside, name string) error {
	h, err := os.Open(filepath.Join(dir, name))
	if err != nil {
		return fault.New(fault.Missing, "a file of the pack is gone").In(name, "").Because(err)
	}
	defer h.Close()
	head := &zip.FileHeader{Name: inside + "/" + name, Method: zip.Deflate, Modified: parcelTime}
	head.SetMode(0o644)
	out, err := z.CreateHeader(head)
	if err == nil {
		_, err = io.Copy(out, h)
	}
	if err != nil {
		return fault.New(fault.DiskFull, "the pack cannot be written").Because(err)
	}
	return nil
}
