//go:build linux || darwin || freebsd

package take

import (
	"os"

	"golang.org/x/sys/unix"
)

// freeBytes is the room that an ordinary user has on the disk of d.
func freeBytes(d *os.File) (int64, bool) {
	var st unix.Statfs_t
	if err := unix.Fstatfs(int(d.Fd()), &st); err != nil {
		return 0, false
	}
	return int64(st.Bavail) * int64(st.Bsize), true
}
