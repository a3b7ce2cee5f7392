package take

import (
	"os"

	"golang.org/x/sys/unix"
)

// diskFile syncs by fdatasync(2): the data and the size, without the times.
type diskFile struct{ *os.File }

func (f diskFile) Sync() error {
	for {
		if err := unix.Fdatasync(int(f.Fd())); err != unix.EINTR {
			return err
		}
	}
}
