package take

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"strings"
	"syscall"

	"cuechoir/internal/fault"
)

// file is what the writer needs of an open file.
type file interface {
	io.Writer
	io.Seeker
	Truncate(size int64) error
	Sync() error // data, and what is needed to find it, are on the disk
	Close() error
}

// folder is what the writer needs of a layer's folder. Tests put one in
// between that fails.
type folder interface {
	Names() ([]string, error)
	Create(name string) (file, error) // never opens what exists; locked until Close
	Rename(from, to string) error
	Remove(name string) error
	Sync() error // names are on the disk
	Free() (bytes int64, known bool)
}

// errLocked says that another process holds a file.
var errLocked = errors.New("in use by another program")

// rootFolder is a folder on disk that no name leads out of (os.Root).
type rootFolder struct{ root *os.Root }

// openLayer opens the folder of a layer beneath the score's folder, and makes
// it when make is true.
func openLayer(dir, layer string, create bool) (rootFolder, error) {
	if err := CheckLayer(layer); err != nil {
		return rootFolder{}, err
	}
	score, err := os.OpenRoot(dir)
	if err != nil {
		return rootFolder{}, fault.New(fault.Missing, "the score's folder cannot be opened").In(dir, "").Because(err)
	}
	defer score.Close()
	name := path.Join(takesFolder, layer)
	if create {
		if err := score.MkdirAll(name, 0o777); err != nil {
			return rootFolder{}, diskFault(name, "the layer's folder cannot be made", err)
		}
	}
	root, err := score.OpenRoot(name)
	if errors.Is(err, fs.ErrNotExist) {
		return rootFolder{}, fault.New(fault.Missing, "there is no take of the layer %s", layer).In(name, "")
	}
	if err != nil {
		return rootFolder{}, fault.New(fault.Unexpected, "the layer's folder cannot be opened").In(name, "").Because(err).
			Mended("see that it is a folder inside the score, not a link out of it")
	}
	return rootFolder{root}, nil
}

func (f rootFolder) Close() error { return f.root.Close() }

// maxTakes bounds a layer's folder.
const maxTakes = 100_000

func (f rootFolder) Names() ([]string, error) {
	d, err := f.root.Open(".")
	if err != nil {
		return nil, err
	}
	defer d.Close()
	names, err := d.Readdirnames(4 * maxTakes)
	if err != nil && err != io.EOF {
		return nil, err
	}
	return names, nil
}

func (f rootFolder) Create(name string) (file, error) {
	h, err := f.root.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	if err := lock(h); err != nil {
		h.Close()
		return nil, err
	}
	return diskFile{h}, nil
}

func (f rootFolder) Rename(from, to string) error { return f.root.Rename(from, to) }
func (f rootFolder) Remove(name string) error     { return f.root.Remove(name) }

func (f rootFolder) Sync() error {
	d, err := f.root.Open(".")
	if err != nil {
		return err
	}
	defer d.Close()
	return syncFolder(d)
}

func (f rootFolder) Free() (int64, bool) {
	d, err := f.root.Open(".")
	if err != nil {
		return 0, false
	}
	defer d.Close()
	return freeBytes(d)
}

// open opens a regular file for reading. Pipes and devices are refused before
// they are opened, since opening a pipe waits for its other end.
func (f rootFolder) open(name string, flag int) (*os.File, os.FileInfo, error) {
	st, err := f.root.Lstat(name)
	if err != nil {
		return nil, nil, err
	}
	if !st.Mode().IsRegular() {
		return nil, nil, errors.New("a link, a folder or a device stands in its place")
	}
	h, err := f.root.OpenFile(name, flag, 0)
	if err != nil {
		return nil, nil, err
	}
	if st, err = h.Stat(); err == nil && !st.Mode().IsRegular() {
		err = errors.New("it changed while it was opened")
	}
	if err != nil {
		h.Close()
		return nil, nil, err
	}
	return h, st, nil
}

// readSidecar reads and checks <id>.json.
func (f rootFolder) readSidecar(layer, id string) (Info, error) {
	name := place(layer, sidecarName(id))
	h, st, err := f.open(sidecarName(id), os.O_RDONLY)
	if errors.Is(err, fs.ErrNotExist) {
		return Info{}, fault.New(fault.Missing, "there is no such take").In(name, "")
	}
	if err != nil {
		return Info{}, fault.New(fault.Unexpected, "it cannot be opened").In(name, "").Because(err)
	}
	defer h.Close()
	text := make([]byte, min(st.Size(), maxSidecarBytes+1))
	if _, err := io.ReadFull(h, text); err != nil {
		return Info{}, fault.New(fault.Unexpected, "it cannot be read").In(name, "").Because(err)
	}
	i, err := decode(text, name)
	if err != nil {
		return Info{}, err
	}
	if i.Layer != layer || i.ID != id {
		return Info{}, fault.New(fault.Malformed, "it says that it is take %s of %s", i.ID, i.Layer).In(name, "").
			Mended("put the file back under its own name")
	}
	return i, nil
}

// replace writes a whole file in one step: under another name, to the disk,
// then renamed. A crash leaves the old text or the new, never half of one.
func replace(f folder, name string, text []byte) (err error) {
	temp := name + tempSuffix
	// What a crash has left is ours alone: the take's lock is held.
	if err := f.Remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	h, err := f.Create(temp)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Remove(temp)
		}
	}()
	if _, err := h.Write(text); err != nil {
		h.Close()
		return err
	}
	if err := h.Sync(); err != nil {
		h.Close()
		return err
	}
	if err := h.Close(); err != nil {
		return err
	}
	if err := f.Rename(temp, name); err != nil {
		return err
	}
	return f.Sync()
}

const tempSuffix = ".new"

// takeIDs are the numbers that stand in a folder, of sound or description.
func takeIDs(names []string) map[string]bool {
	ids := map[string]bool{}
	for _, name := range names {
		id, ok := strings.CutSuffix(name, ".wav")
		if !ok {
			id, ok = strings.CutSuffix(name, ".json")
		}
		if ok && checkID(id) == nil {
			ids[id] = true
		}
	}
	return ids
}

// isFull tells a full disk, an exhausted quota or a file that may grow no further.
func isFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG) || fault.KindOf(err) == fault.DiskFull
}

// diskFault names a failure to write for what it is.
func diskFault(name, what string, err error) *fault.Error {
	if isFull(err) {
		return fault.New(fault.DiskFull, "no room left to write").In(name, "").Because(err).
			Mended("make room; what is sung so far is kept")
	}
	return fault.New(fault.Unexpected, "%s", what).In(name, "").Because(err).
		Mended("see that the disk is there and may be written")
}
