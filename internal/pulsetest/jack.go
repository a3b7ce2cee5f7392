//go:build linux

package pulsetest

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Jack is a JACK server of a test's own, on its dummy driver.
type Jack struct{ name string }

// StartJack starts a JACK server at 48 kHz whose periods have so many frames.
// It is killed when the test ends. Skips and failures are as those of Start; the
// tools are in the package jackd2.
func StartJack(t testing.TB, period int) Jack {
	t.Helper()
	for _, tool := range []string{"jackd", "jack_lsp", "jack_connect"} {
		if _, err := exec.LookPath(tool); err == nil {
			continue
		}
		if Required() {
			t.Fatalf("%s=1 is set and %s is not installed", requireAudio, tool)
		}
		t.Skipf("LOUD SKIP: recording in short periods is not tested here: install the package jackd2 (%s is missing)", tool)
	}
	if testing.Short() {
		t.Skip("LOUD SKIP: -short leaves out recording through a real sound system")
	}
	j := Jack{fmt.Sprintf("cc%d", os.Getpid())}
	t.Setenv("JACK_DEFAULT_SERVER", j.name) // the test's own sound library reads it too
	t.Setenv("JACK_NO_AUDIO_RESERVATION", "1")
	t.Setenv("JACK_NO_START_SERVER", "1")
	said, err := os.CreateTemp(t.TempDir(), "jackd")
	if err != nil {
		t.Fatal(err)
	}
	daemon := exec.Command("jackd", "-n", j.name, "-r", "-d", "dummy", "-r", "48000", "-p", fmt.Sprint(period), "-C", "2", "-P", "2")
	daemon.Stdout, daemon.Stderr = said, said
	daemon.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { // asked to end, it takes its shared memory with it
		daemon.Process.Signal(syscall.SIGTERM)
		ended := time.AfterFunc(5*time.Second, func() { daemon.Process.Kill() })
		daemon.Wait()
		ended.Stop()
		said.Close()
	})
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if len(j.ports("system:")) > 0 {
			return j
		}
		if time.Now().After(deadline) {
			text, _ := os.ReadFile(said.Name())
			t.Fatalf("jackd does not answer: %s", text)
		}
	}
}

// ports lists the ports whose name holds a text.
func (j Jack) ports(part string) []string {
	out, err := exec.Command("jack_lsp", "-s", j.name, part).Output()
	if err != nil {
		return nil
	}
	return strings.Fields(string(out))
}

// Loop joins the first output of the running program to all its inputs: what it
// plays comes back. Call it while a stream runs.
func (j Jack) Loop(t testing.TB) {
	t.Helper()
	var outs, ins []string
	for deadline := time.Now().Add(5 * time.Second); len(outs) == 0 || len(ins) == 0; time.Sleep(20 * time.Millisecond) {
		outs, ins = outs[:0], ins[:0]
		for _, p := range j.ports("") {
			switch {
			case strings.HasPrefix(p, "system:"):
			case strings.Contains(p, "playback"):
				outs = append(outs, p)
			case strings.Contains(p, "capture"):
				ins = append(ins, p)
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("the program has no ports to join; there are %v", j.ports(""))
		}
	}
	for _, in := range ins {
		if out, err := exec.Command("jack_connect", "-s", j.name, outs[0], in).CombinedOutput(); err != nil {
			t.Fatalf("jack_connect %s %s: %v, %s", outs[0], in, err, out)
		}
	}
}
