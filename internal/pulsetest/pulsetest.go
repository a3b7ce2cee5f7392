//go:build linux

// Package pulsetest starts a real sound system for tests: a PulseAudio daemon
// whose only way in is what goes out.
package pulsetest

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// requireAudio makes a missing sound daemon a failure rather than a skip.
const requireAudio = "CUECHOIR_REQUIRE_AUDIO"

// Required says whether all that needs a sound system has to run, on a machine
// that does nothing else meanwhile.
func Required() bool { return os.Getenv(requireAudio) == "1" }

// TooBusy ends a test that a busy machine can spoil: a sound server beside other
// work slips by itself. Where audio is required it is a failure, else a skip.
func TooBusy(t testing.TB, format string, args ...any) {
	t.Helper()
	if Required() {
		t.Fatalf(format, args...)
	}
	t.Skipf("LOUD SKIP: "+format+"; on a machine that does nothing else: "+requireAudio+"=1 go test -run 'Pulse|RealAudio'", args...)
}

// Start starts a PulseAudio daemon of the test's own, whose only sink is
// a digital loop: what is played into it comes back from its monitor. The
// daemon is killed when the test ends. The sink is named cc, the microphone
// cc.monitor. Without pulseaudio, or with -short, the test is skipped and says
// so; with CUECHOIR_REQUIRE_AUDIO=1 a missing daemon fails it.
func Start(t testing.TB) *exec.Cmd {
	t.Helper()
	path, err := exec.LookPath("pulseaudio")
	if err != nil {
		if Required() {
			t.Fatalf("%s=1 is set and pulseaudio is not installed", requireAudio)
		}
		t.Skip("LOUD SKIP: recording through a real sound system is not tested here: install the package pulseaudio")
	}
	if testing.Short() {
		t.Skip("LOUD SKIP: -short leaves out recording through a real sound system")
	}
	home, err := os.MkdirTemp("", "cc") // a short path: sockets allow 108 bytes
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(home) })
	socket := filepath.Join(home, "s")
	for name, value := range map[string]string{"HOME": home, "XDG_RUNTIME_DIR": home, "XDG_CONFIG_HOME": home,
		"PULSE_SERVER": "unix:" + socket, "PULSE_RUNTIME_PATH": home, "PULSE_STATE_PATH": home} {
		t.Setenv(name, value) // the test's own sound library reads them too
	}
	daemon := exec.Command(path, "--daemonize=no", "-n", "--exit-idle-time=-1", "--use-pid-file=no", "--realtime=yes", "--high-priority=yes",
		"-L", "module-null-sink sink_name=cc rate=48000 channels=2 format=float32le",
		"-L", "module-null-sink sink_name=other rate=48000 channels=2 sink_properties=device.description=Other",
		"-L", "module-native-protocol-unix auth-anonymous=1 socket="+socket) // last: who is let in finds all of it
	said, err := os.Create(filepath.Join(home, "log"))
	if err != nil {
		t.Fatal(err)
	}
	daemon.Stdout, daemon.Stderr = said, said
	daemon.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		daemon.Process.Kill()
		daemon.Wait()
		said.Close()
	})
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if c, err := net.Dial("unix", socket); err == nil {
			c.Close()
			break
		}
		if time.Now().After(deadline) {
			text, _ := os.ReadFile(said.Name())
			t.Fatalf("pulseaudio does not answer: %s", text)
		}
	}
	return daemon
}
