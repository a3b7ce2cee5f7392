// Package borders holds one test: who may import whom. The map of packages is
// in DEVELOPERS.md; each border below says why it is there.
package borders

import (
	"go/build"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// only names the packages that alone may import a library.
var only = []struct {
	library string
	homes   []string
	why     string
}{
	{"github.com/gen2brain/malgo", []string{"internal/device"}, "one package knows the sound card, so that everything else runs and is tested without one"},
	{"github.com/gdamore/tcell", []string{"tui"}, "one package knows the screen, so that everything it shows is a command too"},
	{"gitlab.com/gomidi", []string{"engine/part"}, "the MIDI reader panics on broken files and is fenced in one place"},
	{"github.com/tetratelabs/wazero", []string{"internal/decoder"}, "hostile video is decoded in a process of its own"},
	{"codeberg.org/gruf/go-ffmpreg", []string{"internal/decoder"}, "hostile video is decoded in a process of its own"},
	{"github.com/gopxl/beep", []string{"internal/audiofile"}, "its decoders need guards on sizes and panics"},
	{"github.com/pelletier/go-toml", []string{"engine/score"}, "one package knows the form of score.toml"},
	{"github.com/spf13/cobra", []string{"cmd"}, "only the commands know the command line"},
}

// never names imports that a package must not have.
var never = []struct {
	pkg, banned, why string
}{
	{"engine/timecode", "cuechoir/", "exact time is the ground: it stands on nothing of ours"},
	{"engine/mix", "cuechoir/engine/score", "a mix takes plain values and streams, so that it can be proved alone"},
	{"engine/mix", "cuechoir/engine/report", "a mix takes plain values and streams, so that it can be proved alone"},
	{"engine/mix", "os", "a mix takes plain values and streams, so that it can be proved alone"},
	{"engine/score", "cuechoir/internal/device", "the document knows no sound device"},
	{"engine/score", "cuechoir/engine/track", "the document knows no sound device"},
	{"engine", "cuechoir/tui", "arrows run down: screens stand on the engine"},
	{"engine", "cuechoir/cmd", "arrows run down: commands stand on the engine"},
	{"internal", "cuechoir/cmd", "arrows run down"},
	{"internal", "cuechoir/tui", "arrows run down"},
}

// fence is all that the audio callback's package may import: nothing in it
// can allocate behind the scenes, lock, log or call the system.
var fence = []string{"sync/atomic", "math", "cuechoir/internal/ring"}

// ringFence is the same for the ring that the callback works on.
var ringFence = []string{"sync/atomic", "math", "math/bits"}

func TestBorders(t *testing.T) {
	imports := readImports(t)
	if len(imports) < 15 {
		t.Fatalf("found only %d packages: the test looks in the wrong place", len(imports))
	}
	for pkg, deps := range imports {
		for _, dep := range deps {
			checkImport(t, pkg, dep)
		}
	}
	for pkg, allowed := range map[string][]string{"internal/rt": fence, "internal/ring": ringFence} {
		deps, ok := imports[pkg]
		if !ok {
			t.Errorf("%s is not there", pkg)
		}
		for _, dep := range deps {
			if !slices.Contains(allowed, dep) {
				t.Errorf("%s imports %s: the audio callback must not allocate, lock or call the system; it may import %v alone", pkg, dep, allowed)
			}
		}
	}
}

func checkImport(t *testing.T, pkg, dep string) {
	for _, o := range only {
		if strings.HasPrefix(dep, o.library) && !slices.ContainsFunc(o.homes, func(h string) bool { return under(pkg, h) }) {
			t.Errorf("%s imports %s, which belongs to %v: %s", pkg, dep, o.homes, o.why)
		}
	}
	for _, n := range never {
		if under(pkg, n.pkg) && (dep == n.banned || strings.HasPrefix(dep, strings.TrimSuffix(n.banned, "/")+"/")) {
			t.Errorf("%s imports %s: %s", pkg, dep, n.why)
		}
	}
	if under(pkg, "internal") && strings.HasPrefix(dep, "cuechoir/engine/") && dep != "cuechoir/engine/timecode" {
		t.Errorf("%s imports %s: arrows run down; what is internal may stand on timecode alone", pkg, dep)
	}
}

func under(pkg, dir string) bool { return pkg == dir || strings.HasPrefix(pkg, dir+"/") }

// readImports lists the non-test imports of every package of the module.
func readImports(t *testing.T) map[string][]string {
	root := filepath.Join("..", "..")
	found := map[string][]string{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		if name := d.Name(); path != root && (strings.HasPrefix(name, ".") || name == "testdata") {
			return filepath.SkipDir
		}
		ctx := build.Default
		ctx.CgoEnabled = true // the files with the real device count too
		p, err := ctx.ImportDir(path, 0)
		if err != nil {
			return nil // a folder without Go files
		}
		rel, err := filepath.Rel(root, path)
		found[filepath.ToSlash(rel)] = p.Imports
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}
