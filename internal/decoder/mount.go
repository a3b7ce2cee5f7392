package decoder

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"cuechoir/internal/fault"
)

// Where the one file stands inside the sandbox.
const mountPoint = "/in"

// oneFile is a read-only file system with a single file in its root. It holds
// the open folder, so that a change of the path's meaning after the check
// (a symbolic link put in its place) leads nowhere else.
type oneFile struct {
	root *os.Root
	base string // the file's name within root
	name string // the name it shows
}

// openMount opens path for the sandbox. With within set, the path must lie in
// that folder and no symbolic link on it may leave the folder; without it, a
// link that the person named is followed once, here.
func openMount(path, within string) (*oneFile, error) {
	dir, base := within, ""
	if within == "" {
		real, err := filepath.EvalSymlinks(path)
		if err != nil {
			return nil, missing(path, err)
		}
		dir, base = filepath.Split(real)
	} else {
		rel, err := filepath.Rel(within, path)
		if err != nil || !filepath.IsLocal(rel) {
			return nil, outside(path)
		}
		base = rel
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, missing(path, err)
	}
	m := &oneFile{root: root, base: base, name: "input" + plainExt(path)}
	st, err := root.Stat(base)
	if err == nil {
		err = mustBeRegular(path, st)
	} else if os.IsNotExist(err) || os.IsPermission(err) {
		err = missing(path, err)
	} else {
		err = outside(path).Because(err)
	}
	if err != nil {
		root.Close()
		return nil, err
	}
	return m, nil
}

func missing(path string, err error) error {
	if os.IsPermission(err) {
		return fault.New(fault.Missing, "may not be read").In(path, "").Mended("give yourself read permission for it")
	}
	return fault.New(fault.Missing, "there is no such file").In(path, "").Mended("check the name and the folder")
}

func outside(path string) *fault.Error {
	return fault.New(fault.Malformed, "leads out of its folder").In(path, "").
		Mended("put the file itself into the folder, not a link to elsewhere")
}

func mustBeRegular(path string, st fs.FileInfo) error {
	what := ""
	switch {
	case st.IsDir():
		what = "is a folder, not a video file"
	case !st.Mode().IsRegular():
		what = "is a pipe or a device, not a video file"
	case st.Size() == 0:
		return fault.New(fault.Malformed, "is empty").In(path, "").Mended("copy the video again from where it came")
	default:
		return nil
	}
	return fault.New(fault.Unsupported, "%s", what).In(path, "").Mended("name a video or sound file")
}

// plainExt keeps the file's extension, which helps FFmpeg to tell formats
// apart, when it is a few plain letters.
func plainExt(path string) string {
	ext := strings.ToLower(filepath.Ext(path))
	if len(ext) < 2 || len(ext) > 8 {
		return ""
	}
	for _, c := range ext[1:] {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') {
			return ""
		}
	}
	return ext
}

func (m *oneFile) inside() string { return mountPoint + "/" + m.name }
func (m *oneFile) Close() error   { return m.root.Close() }

// Open implements fs.FS.
func (m *oneFile) Open(name string) (fs.File, error) {
	switch name {
	case ".":
		return &onlyDir{m: m}, nil
	case m.name:
		f, err := m.root.Open(m.base)
		if err != nil {
			return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
		}
		return f, nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

// onlyDir is the root of a oneFile: a folder that lists nothing.
type onlyDir struct{ m *oneFile }

func (d *onlyDir) Stat() (fs.FileInfo, error)           { return dirInfo{}, nil }
func (d *onlyDir) Read([]byte) (int, error)             { return 0, fs.ErrInvalid }
func (d *onlyDir) Close() error                         { return nil }
func (d *onlyDir) ReadDir(n int) ([]fs.DirEntry, error) { return nil, nil }

type dirInfo struct{}

func (dirInfo) Name() string       { return "." }
func (dirInfo) Size() int64        { return 0 }
func (dirInfo) Mode() fs.FileMode  { return fs.ModeDir | 0o555 }
func (dirInfo) ModTime() time.Time { return time.Time{} }
func (dirInfo) IsDir() bool        { return true }
func (dirInfo) Sys() any           { return nil }
