package track

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"cuechoir/internal/fault"
)

// settingsPath is a file of ours in the user's configuration folder.
func settingsPath(name string) (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fault.New(fault.Missing, "there is no folder for settings").Because(err).Mended("set HOME")
	}
	return filepath.Join(dir, "cuechoir", name), nil
}

// settingsFile is a file's text, up to a byte over most; nil when there is none.
func settingsFile(path string, most int64) ([]byte, error) {
	st, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err == nil && !st.Mode().IsRegular() {
		err = errors.New("it is no file")
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be looked at").In(path, "").Because(err)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be opened").In(path, "").Because(err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be read").In(path, "").Because(err)
	}
	return append([]byte{}, text...), nil
}

// keepFile replaces a file in one step.
func keepFile(path string, text []byte, what string) error {
	failed := func(err error) error {
		return fault.New(fault.Unexpected, "%s", what).In(path, "").Because(err)
	}
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return failed(err)
	}
	f, err := os.CreateTemp(dir, filepath.Base(path)+".*.new")
	if err != nil {
		return failed(err)
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
		return failed(err)
	}
	return nil
}
