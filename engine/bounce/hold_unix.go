//go:build unix

package bounce

import (
	"io"
	"os"
	"syscall"
)

// hold keeps a file from other programs' sweeps until it is closed or the
// process ends, however it ends (flock(2)). It fails when another holds it.
func hold(path string) (io.Closer, error) {
	f, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}
