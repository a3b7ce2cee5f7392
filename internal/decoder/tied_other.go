//go:build !linux

package decoder

import "os/exec"

// startTied starts cmd; ended is closed when it is over and waited for. Where
// the kernel does not tie it to this process, the closed pipes end it.
func startTied(cmd *exec.Cmd) (ended <-chan struct{}, err error) {
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	done := make(chan struct{})
	go func() { cmd.Wait(); close(done) }()
	return done, nil
}

// boundMemory does nothing where one process cannot bound another; FFmpeg's
// own bounds stand.
func boundMemory(int) {}
