package score

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"strings"
	"time"

	"cuechoir/internal/fault"
)

// commit replaces the document's text by another and keeps what the history
// must know. A crash at any point leaves either text, and a history that
// knows which: the texts come first, then the event, then the document.
func (f *Folder) commit(j journal, old, text []byte, e event) error {
	var first []event
	was := event{Did: "outside", To: hashOf(old), Bytes: int64(len(old)), When: now()}
	switch {
	case len(j.states) == 0:
		was.Did, was.Version = "begin", journalVersion
		first = append(first, was)
	case j.outside:
		first = append(first, was, event{Did: "done"})
	}
	if len(first) > 0 {
		if err := f.keep(was.To, old); err != nil {
			return err
		}
	}
	if e.Did == "edit" {
		if err := f.keep(e.To, text); err != nil {
			return err
		}
	}
	staged, err := f.stage(FileName, text)
	if err != nil {
		return err
	}
	size, err := f.record(j.size, append(first, e)...)
	if err != nil {
		f.disk.remove(f.root, staged)
		return f.notSaved(journalName, err)
	}
	if now, err := f.readText(); err != nil || !bytes.Equal(now, old) {
		f.disk.remove(f.root, staged)
		f.forget(j.size)
		return fault.New(fault.Conflict, "the file was edited by hand at this very moment; that edit is kept, this one was not made").
			In(f.Path(FileName), "").Because(err).Mended("try again")
	}
	if err := f.install(staged, FileName); err != nil {
		return err
	}
	// The edit stands. What follows keeps the history short, and the next
	// edit does it if this one cannot.
	if _, err := f.record(size, event{Did: "done"}); err == nil {
		f.tidy()
	}
	return nil
}

// keep stores a text under its hash.
func (f *Folder) keep(hash string, text []byte) error {
	name := textName(hash)
	if there, err := f.readAll(name, MaxFileBytes); err == nil && bytes.Equal(there, text) {
		return nil
	}
	switch err := f.disk.mkdir(f.root, HistoryDir); {
	case err == nil:
		if err := f.disk.syncDir(f.root, "."); err != nil {
			return f.notSaved(HistoryDir, err)
		}
	case !errors.Is(err, fs.ErrExist):
		return f.notSaved(HistoryDir, err)
	}
	return f.replace(name, text)
}

// record writes events behind the first size bytes of the journal and reports
// its new size. What lay there was torn or did not happen.
func (f *Folder) record(size int64, events ...event) (int64, error) {
	text, err := lines(events...)
	if err != nil {
		return 0, err
	}
	file, err := f.disk.open(f.root, journalName)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	if end, err := file.Seek(0, io.SeekEnd); err != nil {
		return 0, err
	} else if end > size {
		if err := f.disk.truncate(file, size); err != nil {
			return 0, err
		}
	}
	if _, err := file.Seek(size, io.SeekStart); err != nil {
		return 0, err
	}
	if err := f.disk.write(file, text); err != nil {
		return 0, err
	}
	if err := f.disk.sync(file); err != nil {
		return 0, err
	}
	if size == 0 {
		err = f.disk.syncDir(f.root, HistoryDir)
	}
	return size + int64(len(text)), err
}

// forget takes back events whose edit was not made.
func (f *Folder) forget(size int64) {
	if file, err := f.disk.open(f.root, journalName); err == nil {
		f.disk.truncate(file, size) // if it cannot, the event counts as a step that was replaced at once
		file.Close()
	}
}

// tidy keeps the history within its bounds and removes texts and half-written
// files that nothing names. It runs under the folder's lock.
func (f *Folder) tidy() {
	_, j, err := f.readHistory()
	if err != nil || j.outside || len(j.states) == 0 {
		return
	}
	if j.prune(f.maxSteps, f.maxBytes) || j.size > compactBeyond {
		text, err := lines(j.events()...)
		if err != nil || f.replace(journalName, text) != nil {
			return
		}
	}
	named := map[string]bool{}
	for _, s := range j.states {
		named[textName(s.hash)] = true
	}
	f.sweep(HistoryDir, func(name string) bool {
		hash, isText := strings.CutSuffix(name, ".toml")
		return isText && isHash(hash) && !named[textName(hash)] || isStaged(name)
	})
	f.sweep(".", func(name string) bool { return strings.HasPrefix(name, FileName+".") && isStaged(name) })
}

// sweep removes the files of a folder that are litter.
func (f *Folder) sweep(dir string, litter func(name string) bool) {
	d, err := f.root.Open(dir)
	if err != nil {
		return
	}
	names, _ := d.Readdirnames(-1)
	d.Close()
	for _, name := range names {
		if litter(name) {
			f.disk.remove(f.root, dir+"/"+name)
		}
	}
}

func textName(hash string) string { return HistoryDir + "/" + hash + ".toml" }

func hashOf(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

func now() time.Time { return time.Now().UTC().Truncate(time.Second) }
