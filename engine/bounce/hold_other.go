//go:build !unix

package bounce

import "io"

type nothing struct{}

func (nothing) Close() error { return nil }

// hold does nothing where the system itself keeps open files from being
// removed.
func hold(string) (io.Closer, error) { return nothing{}, nil }
