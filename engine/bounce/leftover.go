package bounce

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// A bounce that is killed leaves its passing files behind. The next bounce into
// the folder removes them: those of our own name that no running program holds.

const (
	partPattern = ".bounce-*.part"
	// freshPart is left alone: it may be made at this moment and not be held yet.
	freshPart = time.Minute
	// mostNames bounds the look into a folder.
	mostNames = 100_000
)

// isPart knows the names that partPattern gives: digits in the star's place.
func isPart(name string) bool {
	word, ours := strings.CutPrefix(name, ".bounce-")
	word, ends := strings.CutSuffix(word, ".part")
	return ours && ends && word != "" && strings.Trim(word, "0123456789") == ""
}

// sweep removes what killed bounces have left in a folder. What it cannot look
// at or remove is left: the bounce itself does not need it.
func sweep(folder string, now time.Time) {
	d, err := os.Open(folder)
	if err != nil {
		return
	}
	names, _ := d.Readdirnames(mostNames)
	d.Close()
	for _, name := range names {
		path := filepath.Join(folder, name)
		st, err := os.Lstat(path)
		if !isPart(name) || err != nil || !st.Mode().IsRegular() || now.Sub(st.ModTime()) < freshPart {
			continue
		}
		held, err := hold(path)
		if err != nil {
			continue // a running program's, or not ours to touch
		}
		_ = os.Remove(path)
		held.Close()
	}
}

// holding is a passing file that is held until its own name is given to it.
type holding struct{ io.Closer }

func (h *holding) release() {
	if h.Closer != nil {
		h.Closer.Close()
		h.Closer = nil
	}
}
