// Package reftool finds the independent tools that tests hold the program to.
// Without a tool a test says what it did not compare; where the tools are
// required, that is a failure.
package reftool

import (
	"os"
	"os/exec"
	"testing"
)

const requireTools = "CUECHOIR_REQUIRE_TOOLS"

// Required says whether a tool that is not there fails a test:
// CUECHOIR_REQUIRE_TOOLS=1.
func Required() bool { return os.Getenv(requireTools) == "1" }

// Need gives a tool's path. Without it the test is skipped out loud, or fails
// where the tools are required.
func Need(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if Required() {
		t.Fatalf("%s is not installed, and %s=1 demands it", name, requireTools)
	}
	t.Skipf("LOUD SKIP: %s is not installed, so nothing was compared with it", name)
	return ""
}

// Find is Need for a test that has more to show: it goes on with "" for a
// tool that is not there, and has failed where the tools are required.
func Find(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if Required() {
		t.Errorf("%s is not installed, and %s=1 demands it", name, requireTools)
	}
	t.Logf("NOT COMPARED: %s is not installed; %s=1 makes this a failure", name, requireTools)
	return ""
}
