package score

import (
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"

	"cuechoir/internal/fault"
)

// medium is every step by which a score's folder changes on disk. Tests put a
// medium in its place that dies at any one of them.
type medium interface {
	create(root *os.Root, rel string) (*os.File, error) // a new file, for writing
	open(root *os.Root, rel string) (*os.File, error)   // an old or new file, for reading and writing
	write(f *os.File, data []byte) error
	truncate(f *os.File, size int64) error
	sync(f *os.File) error
	syncDir(root *os.Root, rel string) error
	rename(root *os.Root, from, to string) error
	remove(root *os.Root, rel string) error
	mkdir(root *os.Root, rel string) error
}

const (
	stagedEnd  = ".tmp"
	stagedWord = 12 // digits of randomWord
)

// disk is the real medium.
type disk struct{}

func (disk) create(root *os.Root, rel string) (*os.File, error) {
	return root.OpenFile(filepath.FromSlash(rel), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
}

func (disk) open(root *os.Root, rel string) (*os.File, error) {
	return root.OpenFile(filepath.FromSlash(rel), os.O_RDWR|os.O_CREATE, 0o666)
}

func (disk) write(f *os.File, data []byte) error {
	_, err := f.Write(data)
	return err
}

func (disk) truncate(f *os.File, size int64) error { return f.Truncate(size) }
func (disk) sync(f *os.File) error                 { return f.Sync() }

func (disk) syncDir(root *os.Root, rel string) error {
	d, err := root.Open(filepath.FromSlash(rel))
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrInvalid) {
		return err
	}
	return nil
}

func (disk) rename(root *os.Root, from, to string) error {
	return root.Rename(filepath.FromSlash(from), filepath.FromSlash(to))
}

func (disk) remove(root *os.Root, rel string) error { return root.Remove(filepath.FromSlash(rel)) }

func (disk) mkdir(root *os.Root, rel string) error {
	return root.Mkdir(filepath.FromSlash(rel), 0o777)
}

// replace writes a whole new file beside the old one, flushes it to disk and
// renames it over: a reader or a power cut meets the old or the new.
func (f *Folder) replace(rel string, data []byte) error {
	staged, err := f.stage(rel, data)
	if err != nil {
		return err
	}
	return f.install(staged, rel)
}

// stage writes a file's new text beside it and flushes it to disk.
func (f *Folder) stage(rel string, data []byte) (staged string, err error) {
	staged = rel + "." + randomWord() + stagedEnd
	file, err := f.disk.create(f.root, staged)
	if err != nil {
		return "", f.notSaved(rel, err)
	}
	if err = f.disk.write(file, data); err == nil {
		err = f.disk.sync(file)
	}
	if cerr := file.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		f.disk.remove(f.root, staged)
		return "", f.notSaved(rel, err)
	}
	return staged, nil
}

// install gives a staged file its name.
func (f *Folder) install(staged, rel string) error {
	if err := f.disk.rename(f.root, staged, rel); err != nil {
		f.disk.remove(f.root, staged)
		return f.notSaved(rel, err)
	}
	if err := f.disk.syncDir(f.root, path.Dir(rel)); err != nil {
		return fault.New(writeKind(err), "the score was saved, but it is not sure that the disk holds it").In(f.Path(rel), "").Because(err)
	}
	return nil
}

// isStaged knows the name of a staged file, which a crash may leave behind.
func isStaged(name string) bool {
	word, ok := strings.CutSuffix(name, stagedEnd)
	dot := strings.LastIndexByte(word, '.')
	_, err := hex.DecodeString(word[dot+1:])
	return ok && err == nil && len(word)-dot-1 == stagedWord
}

func (f *Folder) notSaved(rel string, err error) error {
	return fault.New(writeKind(err), "the score could not be saved; the old one is untouched").In(f.Path(rel), "").Because(err)
}

// readAll reads a plain file of the folder that may hold most bytes at most.
// Another kind of file, a pipe say, might never end.
func (f *Folder) readAll(rel string, most int64) ([]byte, error) {
	st, err := f.root.Stat(filepath.FromSlash(rel))
	if err != nil {
		return nil, err
	}
	if !st.Mode().IsRegular() {
		return nil, fault.New(fault.Malformed, "this is not a plain file").In(f.Path(rel), "")
	}
	file, err := f.root.Open(filepath.FromSlash(rel))
	if err != nil {
		return nil, err
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, most+1))
	if err == nil && int64(len(data)) > most {
		err = fault.New(fault.OverLimit, "the file is larger than %d bytes", most).In(f.Path(rel), "")
	}
	return data, err
}
