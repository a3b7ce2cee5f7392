//go:build unix

package audiofile

import (
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"cuechoir/internal/fault"
)

// A pipe is refused at once, rather than waited on.
func TestOpenDoesNotWaitForAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe.wav")
	must(t, syscall.Mkfifo(path, 0o600))
	done := make(chan error, 1)
	go func() {
		_, err := Open(path)
		done <- err
	}()
	select {
	case err := <-done:
		if fault.KindOf(err) != fault.Unsupported {
			t.Errorf("%v, want Unsupported", err)
		}
	case <-time.After(5 * time.Second):
		t.Error("Open waits for the pipe's other end")
	}
}
