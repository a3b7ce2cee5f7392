package job

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"

	"cuechoir/engine/match"
	"cuechoir/engine/report"
	"cuechoir/engine/score"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// MatchResult is a stem held beside the reference, shot by shot.
type MatchResult struct {
	*match.Result
	File  string       // the file
	Cut   []score.Shot // one for each of Shots
	Notes []string
	of    *score.Score
}

// Match compares a stem ("": bounces/stem.wav) with the reference's own sound.
// Errors: Missing (the reference has no sound, there is no stem, or they never
// sound together), and those of the files.
func Match(ctx context.Context, f *score.Folder, stem string) (*MatchResult, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	if s.Reference.Sound == "" {
		return nil, fault.New(fault.Missing, "the reference has no sound to hold the stem beside").Mended("make the score from a reference with sound")
	}
	if stem == "" {
		stem = f.Path(score.BouncesDir + "/stem.wav")
		if _, err := os.Stat(stem); errors.Is(err, fs.ErrNotExist) {
			return nil, fault.New(fault.Missing, "there is no stem to compare yet").In(stem, "").Mended("render it: cuechoir bounce")
		}
	}
	ref, _, err := audiofile.ReadMono(f.Path(s.Reference.Sound), s.SampleRate, maxSoundFrames)
	if err != nil {
		return nil, err
	}
	own, _, err := audiofile.ReadMono(stem, s.SampleRate, maxSoundFrames)
	if err != nil {
		return nil, err
	}
	if ctx.Err() != nil {
		return nil, fault.New(fault.Interrupted, "stopped while the stem was compared").Because(ctx.Err())
	}
	res := &MatchResult{File: stem, Cut: s.Shots(), of: s}
	if d := int64(len(own)) - s.Length(); d != 0 {
		res.Notes = append(res.Notes, fmt.Sprintf("the stem is %+d samples off the reference's length; they are compared from the first sample on", d))
	}
	var spans []match.Span
	for _, x := range res.Cut {
		spans = append(spans, match.Span{From: s.Reference.Rate.SampleOf(x.First, s.SampleRate), To: s.Reference.Rate.SampleOf(x.Last+1, s.SampleRate)})
	}
	res.Result, err = match.Compare(ref, own, s.SampleRate, spans)
	return res, err
}

// Name is what a person calls shot i.
func (r *MatchResult) Name(i int) string {
	word := r.Cut[i].Word()
	if word == "" {
		word = "dark"
	}
	if n := r.Cut[i].Name; n != "" {
		word += " " + n
	}
	return word
}

// Timecode is where shot i begins.
func (r *MatchResult) Timecode(i int) string { return timecodeAt(r.of, r.Shots[i].From) }

// SavePicture draws both curves and accents to an SVG file.
func (r *MatchResult) SavePicture(path string) error {
	s := r.of
	p := report.MatchPicture{Title: s.Title, SampleRate: s.SampleRate, Window: r.Window, Samples: s.Length(), GainDB: r.GainDB, Reference: r.Reference,
		Stem: r.Stem, ReferenceAccent: r.ReferenceAccent, StemAccent: r.StemAccent}
	for i, x := range r.Shots {
		p.Shots = append(p.Shots, report.MatchShot{From: x.From, To: x.To, Name: r.Name(i), Words: x.Words(), Wrong: len(x.Findings) > 0})
	}
	return r.save(path, func(w io.Writer) error { return report.MatchSVG(w, p) })
}

// SaveCSV writes a row a shot (RFC 4180); a level of silence is an empty cell.
func (r *MatchResult) SaveCSV(path string) error { return r.save(path, r.writeCSV) }

// save refuses the stem itself as the file to write.
func (r *MatchResult) save(path string, fill func(io.Writer) error) error {
	if to, err := os.Stat(path); err == nil {
		if from, err := os.Stat(r.File); err == nil && os.SameFile(from, to) {
			return fault.New(fault.Conflict, "this is the stem itself").In(path, "").Mended("give the file another name")
		}
	}
	return writeWhole(path, fill)
}

func (r *MatchResult) writeCSV(w io.Writer) error {
	head := []string{"shot", "timecode", "from_sample", "to_sample", "reference_dbfs", "stem_dbfs", "level_off_db"}
	for _, b := range match.Bands {
		head = append(head, b+"_off_db")
	}
	rows := [][]string{append(head, "accents", "met", "extra", "accents_ms", "told")}
	num := func(v float64) string {
		if math.IsInf(v, 0) {
			return ""
		}
		return fmt.Sprintf("%.2f", v)
	}
	for i, x := range r.Shots {
		row := []string{plainCell(r.Name(i)), r.Timecode(i), fmt.Sprint(x.From), fmt.Sprint(x.To), num(x.ReferenceDB), num(x.StemDB), num(x.LevelOffDB)}
		for _, v := range x.BandOffDB {
			row = append(row, num(v))
		}
		late := "" // the shot does not tell
		if x.Placed {
			late = num(x.AccentMS)
		}
		rows = append(rows, append(row, fmt.Sprint(x.Accents), fmt.Sprint(x.Met), fmt.Sprint(x.Extra), late, x.Words()))
	}
	return csv.NewWriter(w).WriteAll(rows)
}
