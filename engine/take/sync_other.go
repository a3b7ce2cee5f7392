//go:build !linux

package take

import "os"

// diskFile syncs as os.File does.
type diskFile struct{ *os.File }
