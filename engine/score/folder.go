package score

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"cuechoir/internal/fault"
)

// FileName is the document inside a score's folder.
const FileName = "score.toml"

// Folder names inside a score's folder.
const (
	ReferenceDir = "reference"
	TakesDir     = "takes"
	BouncesDir   = "bounces"
)

const lockName = ".cuechoir.lock"

// Folder is an open score folder. All its files are reached through a root
// that links cannot leave.
type Folder struct {
	Dir  string
	root *os.Root
	disk medium

	maxSteps int   // bounds of the history: MaxSteps ...
	maxBytes int64 // ... and MaxHistoryBytes
}

func over(dir string, root *os.Root) *Folder {
	return &Folder{Dir: dir, root: root, disk: disk{}, maxSteps: MaxSteps, maxBytes: MaxHistoryBytes}
}

// Open opens a score's folder for reading and editing.
func Open(dir string) (*Folder, error) {
	st, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fault.New(fault.Missing, "there is no such folder").In(dir, "").Mended("make a score with: cuechoir new FOLDER --reference FILE")
	case err != nil:
		return nil, fault.New(fault.Missing, "the folder cannot be read").In(dir, "").Because(err)
	case !st.IsDir():
		return nil, fault.New(fault.Missing, "this is a file, not a score's folder").In(dir, "").Mended("name the folder that holds %s", FileName)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fault.New(fault.Missing, "the folder cannot be opened").In(dir, "").Because(err)
	}
	f := over(dir, root)
	if st, err := root.Stat(FileName); err != nil || !st.Mode().IsRegular() {
		root.Close()
		return nil, fault.New(fault.Missing, "this folder holds no %s, so it is not a score", FileName).In(dir, "").
			Mended("make a score with: cuechoir new FOLDER --reference FILE")
	}
	return f, nil
}

// Close lets the folder go.
func (f *Folder) Close() error { return f.root.Close() }

// Path is where a file of the folder lies.
func (f *Folder) Path(rel string) string { return filepath.Join(f.Dir, filepath.FromSlash(rel)) }

// OpenFile opens a regular file inside the folder for reading. A path or link
// that leaves the folder is refused.
func (f *Folder) OpenFile(rel string) (*os.File, error) {
	if err := checkPath(rel); err != nil {
		return nil, fault.New(fault.Malformed, "").Because(err).In(f.Path(FileName), "")
	}
	st, err := f.root.Stat(filepath.FromSlash(rel))
	if err != nil {
		return nil, fault.New(fault.Missing, "the file is not there, or leads out of the score's folder").In(f.Path(rel), "").Because(err)
	}
	if !st.Mode().IsRegular() {
		return nil, fault.New(fault.Malformed, "this is not a plain file").In(f.Path(rel), "")
	}
	return f.root.Open(filepath.FromSlash(rel))
}

// Load reads and checks the document.
func (f *Folder) Load() (*Score, error) {
	data, err := f.readText()
	if err != nil {
		return nil, err
	}
	return Decode(data, f.Path(FileName))
}

func (f *Folder) readText() ([]byte, error) {
	data, err := f.readAll(FileName, MaxFileBytes)
	switch kind := fault.KindOf(err); {
	case err == nil:
		return data, nil
	case kind != fault.Unexpected:
		return nil, err
	default:
		return nil, fault.New(fault.Missing, "the score cannot be read").In(f.Path(FileName), "").Because(err)
	}
}

// encodeValid checks the document and makes its text.
func encodeValid(s *Score) ([]byte, error) {
	if err := s.Validate(); err != nil {
		return nil, fault.New(fault.Usage, "the change was not made").Because(err)
	}
	data, err := Encode(s)
	if err != nil {
		return nil, fault.New(fault.Unexpected, "writing the score").Because(err)
	}
	return data, nil
}

func randomWord() string {
	var b [6]byte
	rand.Read(b[:]) // never fails (crypto/rand)
	return hex.EncodeToString(b[:])
}

// Create makes a score's folder whole or not at all: build fills a staging
// folder beside it and returns the document; then the folder gets its name.
// A folder that exists and holds anything is a Conflict and is left alone.
func Create(dir string, build func(staging string) (*Score, error)) (*Score, error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return nil, fault.New(fault.Conflict, "the folder exists and is not empty").In(dir, "").Mended("choose a new folder")
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fault.New(fault.Conflict, "a score cannot be made here").In(dir, "").Because(err).Mended("choose a new folder")
	}
	parent := filepath.Dir(filepath.Clean(dir))
	staging := filepath.Join(parent, "."+filepath.Base(filepath.Clean(dir))+"."+randomWord()+".partial")
	if err := os.Mkdir(staging, 0o777); err != nil {
		return nil, fault.New(writeKind(err), "the folder cannot be made").In(dir, "").Because(err)
	}
	defer os.RemoveAll(staging) // a no-op once it has its name
	for _, sub := range []string{ReferenceDir, TakesDir, BouncesDir} {
		if err := os.Mkdir(filepath.Join(staging, sub), 0o777); err != nil {
			return nil, fault.New(writeKind(err), "the folder cannot be made").In(dir, "").Because(err)
		}
	}
	s, err := build(staging)
	if err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(staging)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	text, err := encodeValid(s)
	if err != nil {
		return nil, err
	}
	if err := over(staging, root).replace(FileName, text); err != nil {
		return nil, err
	}
	os.Remove(dir) // an empty folder gives way; a missing one is fine
	if err := os.Rename(staging, dir); err != nil {
		return nil, fault.New(fault.Conflict, "the folder could not be given its name").In(dir, "").Because(err)
	}
	return s, nil
}
