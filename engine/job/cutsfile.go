package job

import (
	"bytes"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// ImportCutsOptions say how a list of cuts is taken. The zero value works.
type ImportCutsOptions struct {
	Form    string // csv, edl, otio, or "": as the name or the text says
	Replace bool   // the list is all there is
	Strict  bool   // nothing is taken when something cannot be read
	Markers bool   // markers become want-hits
}

// ImportedCuts is what an import took, and what it could not read. The
// problems are there also when an error says that nothing was taken.
type ImportedCuts struct {
	score.Imported
	Score    *score.Score
	Markers  int // in the list
	Problems []cutlist.Problem
}

// ImportCuts reads a list of cuts from another program or a person; name is
// its file's, for its form and for messages. Errors: Unsupported (a form that
// is not known), Malformed (nothing in it can be read), OverLimit.
func ImportCuts(f *score.Folder, r io.Reader, name string, o ImportCutsOptions) (ImportedCuts, error) {
	var res ImportedCuts
	data, err := io.ReadAll(io.LimitReader(r, cutlist.MaxListBytes+1))
	if err != nil {
		return res, fault.New(fault.Missing, "the list cannot be read").In(name, "").Because(err)
	}
	form, err := readForm(o.Form, name, data)
	if err != nil {
		return res, err
	}
	res.Score, err = f.EditAs(func(s *score.Score) (string, error) {
		list, problems, err := cutlist.Read(bytes.NewReader(data), name, form, s.Axis())
		res.Problems, res.Markers = problems, len(list.Markers)
		if err != nil {
			return "", err
		}
		read := len(list.Cuts)
		if o.Markers {
			read += len(list.Markers)
		}
		if err := CheckRead(name, problems, o.Strict, read, "cuts"); err != nil {
			return "", err
		}
		list.Cuts = slices.DeleteFunc(list.Cuts, func(c cutlist.Cut) bool {
			none := !score.MayBegin(c)
			if none {
				res.Problems = append(res.Problems, cutlist.Problem{Place: "frame 0", What: "the reference begins there, so no shot comes before that " + string(c.Kind)})
			}
			return none
		})
		if len(list.Cuts) > 0 || o.Replace {
			res.Imported = s.ImportCuts(list.Cuts, o.Replace)
		}
		if o.Markers {
			res.Hits = s.ImportMarkers(list.Markers)
		}
		return "cuts imported from " + filepath.Base(name), nil
	})
	return res, err
}

// CheckRead decides whether what could be read of a list is taken: not when
// nothing could, and with strict not when anything was passed over.
func CheckRead(name string, problems []cutlist.Problem, strict bool, read int, what string) error {
	passed := slices.IndexFunc(problems, func(p cutlist.Problem) bool { return !p.Kept })
	switch {
	case read == 0 && passed < 0:
		return fault.New(fault.Malformed, "the list holds no %s", what).In(name, "").Mended("see its form with --help")
	case read == 0, strict && passed >= 0:
		return fault.New(fault.Malformed, "%s", problems[passed].What).In(name, problems[passed].Where()).
			Mended("mend the list; nothing was taken from it")
	}
	return nil
}

// forms are the words by which a person names a form. csv is either table:
// its first line says which.
var forms = map[string]cutlist.Format{
	"csv": cutlist.FormatCSV, "shots": cutlist.FormatShots, "edl": cutlist.FormatEDL, "otio": cutlist.FormatOTIO,
}

func formOf(word string) (cutlist.Format, error) {
	if f, ok := forms[strings.ToLower(word)]; ok {
		return f, nil
	}
	return "", fault.New(fault.Usage, "the form %q is not known", word).Mended("choose csv, shots, edl or otio")
}

func readForm(word, name string, data []byte) (cutlist.Format, error) {
	if word == "" {
		return cutlist.FormatOf(name, data)
	}
	f, err := formOf(word)
	if f == cutlist.FormatCSV {
		return cutlist.FormatOf("table.csv", data)
	}
	return f, err
}

// ExportCuts is a score's cuts, and its hits as markers, as a file of another
// form: the one that form names, else the one of the file's name, else csv.
func ExportCuts(s *score.Score, form, name string) ([]byte, error) {
	f, err := writeForm(form, name)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = cutlist.Write(&b, f, s.Cutlist(), s.Axis())
	return b.Bytes(), err
}

func writeForm(word, name string) (cutlist.Format, error) {
	ext := strings.ToLower(strings.TrimPrefix(filepath.Ext(name), "."))
	switch {
	case word != "":
		return formOf(word)
	case name == "":
		return cutlist.FormatCSV, nil
	case ext == "csv" || ext == "edl" || ext == "otio":
		return forms[ext], nil
	}
	return "", fault.New(fault.Usage, "the name %s does not say in which form to write", filepath.Base(name)).
		Mended("end it in .csv, .edl or .otio, or give --form")
}
