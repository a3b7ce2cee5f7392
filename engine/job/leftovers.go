package job

import (
	"io"
	"os"
	"path"
	"slices"
	"strings"
	"time"

	"cuechoir/engine/score"
)

// A program that is killed while it writes a click, a rehearsal, a pack or the
// reference's sound leaves what was not whole yet under a passing name. Nothing
// sung is ever among these: takes have their own recovery, and so have the document
// and bounces.

const (
	// leftFor is how long nothing was written to a file for it to be left over: a
	// program that still works on it writes all the time.
	leftFor = time.Hour
	// mostLeftNames bounds the look into a folder.
	mostLeftNames = 100_000
)

// isLeftover knows the passing names: .NAME.DIGITS.partial of writeFile and of a
// pack's folder, .sound-DIGITS.tmp of the reference's sound.
func isLeftover(name string) bool {
	word, hidden := strings.CutPrefix(name, ".")
	if !hidden {
		return false
	}
	number := ""
	if whole, ok := strings.CutSuffix(word, ".partial"); ok {
		dot := strings.LastIndexByte(whole, '.')
		if dot < 1 {
			return false
		}
		number = whole[dot+1:]
	} else if whole, ok := strings.CutSuffix(word, ".tmp"); ok {
		if number, ok = strings.CutPrefix(whole, "sound-"); !ok {
			return false
		}
	}
	return number != "" && strings.Trim(number, "0123456789") == ""
}

// ClearLeftovers removes from the score's folder what killed programs have not
// finished, and names it. What cannot be looked at or removed is left there.
func ClearLeftovers(f *score.Folder, now time.Time) (removed []string) {
	root, err := os.OpenRoot(f.Dir)
	if err != nil {
		return nil
	}
	defer root.Close()
	for _, folder := range []string{".", score.ReferenceDir, score.BouncesDir, mendedDir} {
		d, err := root.Open(folder)
		if err != nil {
			continue
		}
		names, err := d.Readdirnames(mostLeftNames)
		d.Close()
		if err != nil && err != io.EOF {
			continue
		}
		slices.Sort(names)
		for _, name := range names {
			at := path.Join(folder, name)
			st, err := root.Lstat(at)
			if !isLeftover(name) || err != nil || now.Sub(st.ModTime()) < leftFor {
				continue
			}
			switch {
			case st.Mode().IsRegular():
				err = root.Remove(at)
			case st.IsDir() && !freshInside(root, at, now):
				err = root.RemoveAll(at)
			default:
				continue
			}
			if err == nil {
				removed = append(removed, at)
			}
		}
	}
	return removed
}

// freshInside says whether a file of a folder was written of late, or cannot be
// looked at.
func freshInside(root *os.Root, folder string, now time.Time) bool {
	d, err := root.Open(folder)
	if err != nil {
		return true
	}
	defer d.Close()
	entries, err := d.ReadDir(mostLeftNames)
	if err != nil && err != io.EOF {
		return true
	}
	for _, e := range entries {
		if st, err := e.Info(); err != nil || now.Sub(st.ModTime()) < leftFor {
			return true
		}
	}
	return false
}
