package decoder

import (
	"os/exec"
	"runtime"
	"syscall"

	"golang.org/x/sys/unix"
)

// nativeMemory bounds the data of a native FFmpeg, in bytes: 8K HEVC on many
// threads takes less.
const nativeMemory = 4 << 30

// boundMemory bounds a program that was started just now (prlimit(2),
// RLIMIT_DATA); where the kernel refuses, the bounds in its arguments stand.
func boundMemory(pid int) {
	unix.Prlimit(pid, unix.RLIMIT_DATA, &unix.Rlimit{Cur: nativeMemory, Max: nativeMemory}, nil)
}

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
