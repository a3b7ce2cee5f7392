package job

import (
	"os"
	"testing"

	"cuechoir/internal/decoder"
)

// The embedded decoder is this program started once more.
func TestMain(m *testing.M) {
	decoder.ServeIfAsked()
	os.Exit(m.Run())
}
