//go:build !unix

package take

import "os"

// lock does nothing where files that are open for writing are kept from
// others by the system itself.
func lock(h *os.File) error { return nil }

// syncFolder does nothing: these systems have no way to sync a folder.
func syncFolder(d *os.File) error { return nil }
