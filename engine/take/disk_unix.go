//go:build unix

package take

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// lock takes the file for this process alone, without waiting; it ends with
// the file or the process, however that ends (flock(2)).
func lock(h *os.File) error {
	err := unix.Flock(int(h.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errLocked
	}
	if errors.Is(err, unix.ENOTSUP) || errors.Is(err, unix.ENOSYS) {
		return nil // some network disks know no locks
	}
	return err
}

// syncFolder makes new names last.
func syncFolder(d *os.File) error { return d.Sync() }

// nameless says that the file was deleted: no folder names it (stat(2)).
func (f diskFile) nameless() bool {
	var st unix.Stat_t
	return unix.Fstat(int(f.Fd()), &st) == nil && st.Nlink == 0
}
