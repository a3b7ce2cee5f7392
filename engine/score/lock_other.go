//go:build !unix

package score

import (
	"os"

	"cuechoir/internal/fault"
)

// lock takes the folder's edit lock: a file that only one program can make.
func lock(path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, fault.New(fault.Conflict, "another program is editing this score, or was stopped while it did").In(path, "").
			Mended("close it; if none runs, delete this file")
	}
	return func() { f.Close(); os.Remove(path) }, nil
}

func writeKind(error) fault.Kind { return fault.Unexpected }
