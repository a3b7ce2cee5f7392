package main

import (
	"io"
	"os"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/job"
	"cuechoir/internal/fault"

	"github.com/spf13/cobra"
)

func (a *app) cutsImportCmd() *cobra.Command {
	var o job.ImportCutsOptions
	c := &cobra.Command{
		Use:   "import FILE",
		Short: "Read cuts from a table, an EDL or an OpenTimelineIO file",
		Long: `The form is told by the file's name or its first lines, or by --form:
  csv   columns frame (or timecode, or seconds), kind, end, name; or kind, first,
        last in frames. A header line is optional.
  edl   CMX 3600 edit decision list: the record side counts
  otio  OpenTimelineIO: the first picture track counts
Time codes are on the reference's own clock. What cannot be read is told with
its line, and the rest is read. What the list and the score have in common
stays as it is; what is new counts as made by hand; a found cut within 3 frames
of a new one gives way to it.`,
		Example: "  cuechoir cuts import cuts.csv\n  cuechoir cuts import cut-7.edl --replace --markers\n  cuechoir cuts import - --form edl < cut-7.edl",
		Args:    args(cobra.ExactArgs(1)),
		RunE:    func(_ *cobra.Command, given []string) error { return a.importCuts(given[0], o) },
	}
	f := c.Flags()
	f.StringVar(&o.Form, "form", "", "csv, edl or otio")
	f.BoolVar(&o.Replace, "replace", false, "put them in the place of the cuts that are there")
	f.BoolVar(&o.Strict, "strict", false, "take nothing when a line cannot be read")
	f.BoolVar(&o.Markers, "markers", false, "make want-hits of the list's markers")
	return c
}

func (a *app) importCuts(path string, o job.ImportCutsOptions) error {
	f, err := a.folder()
	if err != nil {
		return err
	}
	defer f.Close()
	return a.withTable(path, func(r io.Reader, name string) error {
		res, err := job.ImportCuts(f, r, name, o)
		a.noteProblems(name, res.Problems)
		if err != nil {
			return err
		}
		a.note("%s: %d cuts, %d of them new; %d cuts gave way; %d hits made of %d markers", name, res.Cuts, res.New, res.GaveWay, res.Hits, res.Markers)
		if res.Markers > 0 && !o.Markers {
			a.note("to make want-hits of the markers: --markers")
		}
		return a.printCuts(res.Score)
	})
}

// withTable opens a file, or the standard input for "-".
func (a *app) withTable(path string, read func(r io.Reader, name string) error) error {
	if path == "-" {
		return read(a.in, "standard input")
	}
	f, err := os.Open(path)
	if err != nil {
		return fault.New(fault.Missing, "the file cannot be opened").In(path, "").Because(err)
	}
	defer f.Close()
	return read(f, path)
}

// noteProblems tells each place that could not be read as it stands.
func (a *app) noteProblems(name string, problems []cutlist.Problem) {
	const most = 20
	for i, p := range problems {
		if i == most {
			a.note("%s: and %d more", name, len(problems)-most)
			break
		}
		done := "passed over"
		if p.Kept {
			done = "read with a change"
		}
		a.note("%s, %s %s: %s", name, p.Where(), done, p.What)
	}
}

// tellProblems tells them, and fails as job.CheckRead does.
func (a *app) tellProblems(name string, problems []cutlist.Problem, strict bool, read int, what string) error {
	a.noteProblems(name, problems)
	return job.CheckRead(name, problems, strict, read, what)
}

func (a *app) cutsExportCmd() *cobra.Command {
	var form string
	c := &cobra.Command{
		Use:   "export [FILE]",
		Short: "Write the cuts, and the hits as markers, as a table, an EDL or an OpenTimelineIO file",
		Long: `The form is the one that the file's name ends in (.csv, .edl, .otio), or --form:
csv, shots (the short table kind, first, last, without hits), edl, otio.
Without a file, or with -, it is printed, as csv unless told.`,
		Example: "  cuechoir cuts export > cuts.csv\n  cuechoir cuts export cut-8.edl\n  cuechoir cuts export - --form otio",
		Args:    args(cobra.MaximumNArgs(1)),
		RunE: func(_ *cobra.Command, given []string) error {
			to := "-"
			if len(given) > 0 {
				to = given[0]
			}
			return a.exportCuts(form, to)
		},
	}
	c.Flags().StringVar(&form, "form", "", "csv, shots, edl or otio")
	return c
}

func (a *app) exportCuts(form, to string) error {
	f, s, err := a.load()
	if err != nil {
		return err
	}
	defer f.Close()
	name := to
	if to == "-" {
		name = ""
	}
	data, err := job.ExportCuts(s, form, name)
	if err != nil {
		return err
	}
	if to == "-" {
		_, err = a.out.Write(data)
		return err
	}
	if err := writeNew(to, string(data)); err != nil {
		return err
	}
	a.note("%s: %d cuts and %d hits written", to, len(s.Cuts), len(s.Hits))
	return nil
}

// writeNew writes a file that must not exist yet.
func writeNew(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return fault.New(fault.Conflict, "the file was not written").In(path, "").Because(err).Mended("choose a name that is free")
	}
	if _, err := io.WriteString(f, text); err != nil {
		f.Close()
		return fault.New(fault.DiskFull, "the file was not written whole").In(path, "").Because(err)
	}
	if err := f.Close(); err != nil {
		return fault.New(fault.DiskFull, "the file was not written whole").In(path, "").Because(err)
	}
	return nil
}
