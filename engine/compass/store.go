package compass

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// Singer is a person and the range they sing with ease.
type Singer struct {
	Name     string    `json:"name"`
	Low      uint8     `json:"low"` // MIDI keys
	High     uint8     `json:"high"`
	Measured bool      `json:"measured"` // from a siren; else told by hand
	When     time.Time `json:"when"`
}

// Range is the singer's.
func (s Singer) Range() Range { return Range{s.Low, s.High} }

// Store keeps singers in one small file, for this computer: scores come and go,
// a voice stays.
type Store struct{ Path string }

// DefaultPath is cuechoir/singers.json in the user's configuration folder.
func DefaultPath() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fault.New(fault.Missing, "there is no folder for settings").Because(err).Mended("set HOME")
	}
	return filepath.Join(dir, "cuechoir", "singers.json"), nil
}

const (
	storeVersion = 1
	maxBytes     = 1 << 20
	maxSingers   = 1000
	maxName      = 64
	maxYear      = 9999
)

type storeFile struct {
	Version int      `json:"version"`
	Singers []Singer `json:"singers"`
}

// CheckName reports why a text cannot name a singer.
func CheckName(name string) error {
	bad := ""
	switch {
	case strings.TrimSpace(name) == "" || strings.TrimSpace(name) != name:
		bad = "has no letters, or blanks at an end"
	case len(name) > maxName:
		bad = "is too long"
	case !utf8.ValidString(name) || strings.ContainsFunc(name, func(c rune) bool { return unicode.IsControl(c) || unicode.Is(unicode.Bidi_Control, c) }):
		bad = "holds a control character"
	}
	if bad == "" {
		return nil
	}
	return fault.New(fault.Usage, "the name of a singer %s", bad).Mended("use 1 to %d letters", maxName)
}

// Load lists the singers by name; a file that is not there holds none.
func (s Store) Load() ([]Singer, error) {
	st, err := os.Stat(s.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err == nil && !st.Mode().IsRegular() {
		err = errors.New("it is no file")
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be looked at").In(s.Path, "").Because(err)
	}
	f, err := os.Open(s.Path)
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be opened").In(s.Path, "").Because(err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, fault.New(fault.Unexpected, "it cannot be read").In(s.Path, "").Because(err)
	}
	return parse(text, s.Path)
}

func parse(text []byte, name string) ([]Singer, error) {
	const mend = "delete the file and measure the ranges again: cuechoir range measure"
	if len(text) > maxBytes {
		return nil, fault.New(fault.OverLimit, "it has at most %d bytes", maxBytes).In(name, "").Mended(mend)
	}
	var f storeFile
	dec := json.NewDecoder(bytes.NewReader(text))
	if err := dec.Decode(&f); err != nil {
		return nil, fault.New(fault.Malformed, "these are no singers").In(name, "").Because(err).Mended(mend)
	}
	if f.Version != storeVersion {
		return nil, fault.New(fault.Unsupported, "version %d is not known", f.Version).In(name, "version").Mended(mend)
	}
	if len(f.Singers) > maxSingers {
		return nil, fault.New(fault.OverLimit, "%d singers, at most %d", len(f.Singers), maxSingers).In(name, "").Mended(mend)
	}
	seen := map[string]bool{}
	for _, x := range f.Singers {
		err := errors.Join(CheckName(x.Name), x.Range().Validate())
		if y := x.When.Year(); err == nil && (y < 0 || y > maxYear) {
			err = errors.New("the date is out of range")
		}
		if err == nil && seen[x.Name] {
			err = errors.New("the name comes twice")
		}
		if err != nil {
			return nil, fault.New(fault.Malformed, "singer %.80q cannot stand", x.Name).In(name, "").Because(err).Mended(mend)
		}
		seen[x.Name] = true
	}
	slices.SortFunc(f.Singers, func(a, b Singer) int { return cmp.Compare(a.Name, b.Name) })
	return f.Singers, nil
}

// Get is a singer by name; false when there is none.
func (s Store) Get(name string) (Singer, bool, error) {
	list, err := s.Load()
	if err != nil {
		return Singer{}, false, err
	}
	i := slices.IndexFunc(list, func(x Singer) bool { return x.Name == name })
	if i < 0 {
		return Singer{}, false, nil
	}
	return list[i], true, nil
}

// Put keeps a singer in the place of the one of that name. The file is replaced
// in one step.
func (s Store) Put(x Singer) error {
	if err := errors.Join(CheckName(x.Name), x.Range().Validate()); err != nil {
		return err
	}
	list, err := s.Load()
	if err != nil {
		return err
	}
	list = slices.DeleteFunc(list, func(y Singer) bool { return y.Name == x.Name })
	if len(list) >= maxSingers {
		return fault.New(fault.OverLimit, "%d singers are kept, more are not", len(list)).In(s.Path, "").Mended("remove one: cuechoir range remove NAME")
	}
	return s.replace(append(list, x))
}

// Remove forgets a singer; false when there was none.
func (s Store) Remove(name string) (bool, error) {
	list, err := s.Load()
	if err != nil {
		return false, err
	}
	kept := slices.DeleteFunc(slices.Clone(list), func(y Singer) bool { return y.Name == name })
	if len(kept) == len(list) {
		return false, nil
	}
	return true, s.replace(kept)
}

func (s Store) replace(list []Singer) error {
	failed := func(err error) error {
		return fault.New(fault.Unexpected, "the range could not be stored").In(s.Path, "").Because(err)
	}
	slices.SortFunc(list, func(a, b Singer) int { return cmp.Compare(a.Name, b.Name) })
	text, err := json.MarshalIndent(storeFile{storeVersion, list}, "", "  ")
	if err != nil {
		return failed(err)
	}
	dir := filepath.Dir(s.Path)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return failed(err)
	}
	f, err := os.CreateTemp(dir, filepath.Base(s.Path)+".*.new")
	if err != nil {
		return failed(err)
	}
	_, err = f.Write(append(text, '\n'))
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), s.Path)
	}
	if err != nil {
		os.Remove(f.Name())
		return failed(err)
	}
	return nil
}
