package decoder

import (
	"os/exec"
	"runtime"
	"syscall"
)

// startTied starts cmd so that the kernel ends it with this process; ended is
// closed when it is over and waited for. The death signal follows the thread
// that started the program (prctl(2), PR_SET_PDEATHSIG), so that thread is
// held until then.
func startTied(cmd *exec.Cmd) (ended <-chan struct{}, err error) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	started, done := make(chan error), make(chan struct{})
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		defer close(done)
		err := cmd.Start()
		started <- err
		if err == nil {
			cmd.Wait()
		}
	}()
	return done, <-started
}
