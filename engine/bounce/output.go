package bounce

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"unicode"

	"cuechoir/internal/fault"
)

// file and disk are what a bounce asks of the system; tests make them fail.
type file interface {
	io.WriteSeeker
	io.ReaderAt
	Name() string
	Sync() error
	Close() error
}

type disk interface {
	Create(folder, pattern string) (file, error)
	Rename(from, to string) error
	Remove(path string) error
	Exists(path string) bool
	SyncFolder(folder string) error
}

type osDisk struct{}

func (osDisk) Create(folder, pattern string) (file, error) { return os.CreateTemp(folder, pattern) }
func (osDisk) Rename(from, to string) error                { return os.Rename(from, to) }
func (osDisk) Remove(path string) error                    { return os.Remove(path) }
func (osDisk) Exists(path string) bool                     { _, err := os.Lstat(path); return err == nil }

// SyncFolder makes the new names last through a loss of power, where the
// system can do that.
func (osDisk) SyncFolder(folder string) error {
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, os.ErrPermission) {
		return err
	}
	return nil
}

// output is one file on its way: written under a passing name in the same
// folder, then given its own.
type output struct {
	path  string
	index int
	temp  file   // open
	name  string // of the temporary file, "" when there is none
	held  holding
}

type outputs struct {
	d     disk
	o     Options
	files []*output // the mix first

	scratch *output // the draft; it never gets a name
}

func newOutputs(d disk, o Options) *outputs { return &outputs{d: d, o: o} }

// plan names the mix and the stems, and refuses names that meet.
func (q *outputs) plan(groups []string) error {
	q.files = []*output{{path: q.o.Path}}
	taken := map[string]string{strings.ToLower(q.o.Path): "the mix"}
	for i, g := range groups {
		path := StemPath(q.o.Path, g)
		key := strings.ToLower(path) // some file systems do not tell case apart
		if other, ok := taken[key]; ok {
			return fault.New(fault.Usage, "group %q and %s would be written to one file", g, other).In(path, "").Mended("rename the group")
		}
		taken[key] = "group \"" + g + "\""
		q.files = append(q.files, &output{path: path, index: i + 1})
	}
	for _, f := range q.files {
		if q.o.KeepOld && q.d.Exists(f.path) {
			return fault.New(fault.Conflict, "the file exists already").In(f.path, "").Mended("choose another name, or say that it may be replaced")
		}
	}
	return nil
}

// StemPath is where the stem of a group goes: beside the mix, with the
// group's name at the end: "trailer.wav" and "brass" give
// "trailer_brass.wav". What could mean something to a file system becomes
// "-"; no group is "ungrouped".
func StemPath(path, group string) string {
	const most = 64 // characters
	name := strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("-_ ", r) {
			return r
		}
		return '-'
	}, strings.TrimSpace(group))
	if r := []rune(name); len(r) > most {
		name = strings.TrimSpace(string(r[:most]))
	}
	if name == "" {
		name = "ungrouped"
	}
	ext := filepath.Ext(path)
	return strings.TrimSuffix(path, ext) + "_" + name + ext
}

func checkPath(path string) error {
	if path == "" {
		return fault.New(fault.Usage, "the bounce has no file name")
	}
	if !strings.EqualFold(filepath.Ext(path), ".wav") {
		return fault.New(fault.Usage, "a bounce is a broadcast wave file").In(path, "").Mended("give it a name that ends in .wav")
	}
	if st, err := os.Stat(path); err == nil && !st.Mode().IsRegular() {
		return fault.New(fault.Usage, "this is not a file that can be replaced").In(path, "").Mended("choose another name")
	}
	folder := filepath.Dir(path)
	if st, err := os.Stat(folder); err != nil || !st.IsDir() {
		return fault.New(fault.Missing, "the folder is not there").In(folder, "").Mended("make it, or choose another")
	}
	return nil
}

func (q *outputs) create(out *output) (file, error) {
	f, err := q.d.Create(filepath.Dir(out.path), partPattern)
	if err != nil {
		return nil, q.failed(out, "the file could not be made", err)
	}
	out.temp, out.name = f, f.Name()
	// Some network disks know no locks: the file then counts as fresh while it
	// is written.
	out.held.Closer, _ = hold(out.name)
	return f, nil
}

// createScratch makes the file that the draft goes to.
func (q *outputs) createScratch() (file, error) {
	q.scratch = &output{path: q.o.Path}
	return q.create(q.scratch)
}

func (q *outputs) dropScratch() {
	if q.scratch != nil {
		q.drop(q.scratch)
	}
}

// finish puts the file's sound on the disk.
func (q *outputs) finish(out *output) error {
	if c, ok := out.temp.(interface{ Chmod(os.FileMode) error }); ok {
		_ = c.Chmod(0o644) // the passing file was for one's own eyes; some file systems have no modes
	}
	if err := out.temp.Sync(); err != nil {
		return q.failed(out, "the file could not be put on the disk", err)
	}
	err := out.temp.Close()
	out.temp = nil
	if err != nil {
		return q.failed(out, "the file could not be closed", err)
	}
	return nil
}

// publish gives the finished files their names, the mix last. When a name
// cannot be given, those given before are taken back: half a set of stems is
// no set.
func (q *outputs) publish() error {
	for i := range q.files {
		out := q.files[len(q.files)-1-i]
		if err := q.d.Rename(out.name, out.path); err != nil {
			for _, named := range q.files[len(q.files)-i:] {
				_ = q.d.Remove(named.path)
			}
			return q.failed(out, "the file could not be given its name", err)
		}
		out.name = ""
		out.held.release()
	}
	if err := q.d.SyncFolder(filepath.Dir(q.o.Path)); err != nil {
		return q.failed(q.files[0], "the files are whole, but their names may not outlast a loss of power", err)
	}
	return nil
}

// discard removes what has no name yet.
func (q *outputs) discard() {
	for _, out := range q.files {
		q.drop(out)
	}
}

func (q *outputs) drop(out *output) {
	if out.temp != nil {
		_ = out.temp.Close()
	}
	if out.name != "" {
		_ = q.d.Remove(out.name)
	}
	out.held.release()
}

func (q *outputs) failed(out *output, what string, err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return diskFull(out.path, err)
	}
	return fault.New(fault.Unexpected, "%s", what).In(out.path, "").Because(err)
}

func diskFull(path string, err error) error {
	return fault.New(fault.DiskFull, "no room left to write the bounce; nothing was kept of it").In(path, "").Because(err).
		Mended("make room, or write to another disk")
}
