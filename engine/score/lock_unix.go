//go:build unix

package score

import (
	"errors"
	"os"
	"syscall"

	"cuechoir/internal/fault"
)

// lock takes the folder's edit lock, which the system lets go when the
// process ends, however it ends.
func lock(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o666)
	if err != nil {
		return nil, fault.New(writeKind(err), "the score cannot be locked for editing").In(path, "").Because(err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return nil, fault.New(fault.Conflict, "another program is editing this score").In(path, "").Mended("close it, then try again; reading is possible meanwhile")
	}
	return func() { f.Close() }, nil
}

func writeKind(err error) fault.Kind {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return fault.DiskFull
	}
	return fault.Unexpected
}
