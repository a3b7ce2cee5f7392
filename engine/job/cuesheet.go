package job

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/csv"
	"fmt"
	"html/template"
	"strings"

	"cuechoir/engine/raster"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// cueRow is a shot on the cue sheet: frames inside it, its time codes, what the
// music lands on there.
type cueRow struct {
	Shot, Name        string
	First, Frames     int64
	In, Out           string
	Hits              string
	Seconds, From, To string       // exact to a millisecond, for players
	Still             template.URL // a PNG, or ""
}

func cueRows(s *score.Score) []cueRow {
	var out []cueRow
	rate := s.Reference.Rate
	second := func(frame int64) string {
		return fmt.Sprintf("%.3f", float64(rate.SampleOf(frame, s.SampleRate))/float64(s.SampleRate))
	}
	for _, x := range s.Shots() {
		r := cueRow{Shot: x.Word(), Name: x.Name, First: x.First, Frames: x.Last + 1 - x.First, In: rate.Timecode(s.Reference.Start + x.First),
			Out: rate.Timecode(s.Reference.Start + x.Last + 1), From: second(x.First), To: second(x.Last + 1), Seconds: second(x.Last + 1 - x.First)}
		if r.Shot == "" {
			r.Shot = "dark"
		}
		var hits []string
		for _, h := range s.Hits {
			if h.Frame < x.First || h.Frame > x.Last {
				continue
			}
			word := "want "
			if h.Must {
				word = "must "
			}
			hits = append(hits, strings.TrimSpace(word+rate.Timecode(s.Reference.Start+h.Frame)+" "+h.Name))
		}
		r.Hits = strings.Join(hits, "; ")
		out = append(out, r)
	}
	return out
}

// cueTable is the cue sheet as CSV (RFC 4180): a shot a row, out left out.
func cueTable(s *score.Score) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"shot", "name", "in", "out", "first_frame", "frames", "seconds", "hits"}) // a buffer takes all; Flush tells
	for _, r := range cueRows(s) {
		_ = w.Write([]string{r.Shot, plainCell(r.Name), r.In, r.Out, fmt.Sprint(r.First), fmt.Sprint(r.Frames), r.Seconds, plainCell(r.Hits)})
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

// plainCell keeps a name from being read as a formula by a table program.
func plainCell(text string) string {
	if text != "" && strings.ContainsRune("=+-@", rune(text[0])) {
		return "'" + text
	}
	return text
}

const cueStillWidth = 160

var cueTemplate = template.Must(template.New("cues").Parse(`<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{{.Title}}: cue sheet</title>
<style>body{font-family:sans-serif;margin:2em;color:#23211C}table{border-collapse:collapse}td,th{border-bottom:1px solid #D3CDBE;padding:.4em .7em;text-align:left;vertical-align:top}audio{width:15em}</style>
</head><body><h1>{{.Title}}</h1>
<p>{{.Words}}</p>
<p>The whole stem: <audio controls preload="none" src="stem.wav"></audio></p>
<table><thead><tr><th>picture</th><th>shot</th><th>in</th><th>out</th><th>frames</th><th>seconds</th><th>hits</th><th>hear it</th></tr></thead><tbody>
{{range .Rows}}<tr><td>{{if .Still}}<img alt="first frame of {{.Shot}}" src="{{.Still}}">{{end}}</td><td>{{.Shot}} {{.Name}}</td><td>{{.In}}</td><td>{{.Out}}</td><td>{{.Frames}}</td><td>{{.Seconds}}</td><td>{{.Hits}}</td><td><audio controls preload="none" src="stem.wav#t={{.From}},{{.To}}"></audio></td></tr>
{{end}}</tbody></table></body></html>
`))

// cuePage is the cue sheet as a page for a browser: pictures inside it, players
// of the stem beside it (W3C Media Fragments 1.0 say from where to where).
func (res *DeliverResult) cuePage(ctx context.Context, f *score.Folder, s *score.Score, o DeliverOptions) ([]byte, error) {
	rows := cueRows(s)
	if err := addStills(ctx, f, s, o, rows); err != nil {
		if ctx.Err() != nil {
			return nil, fault.New(fault.Interrupted, "stopped while pictures were made").Because(ctx.Err())
		}
		res.Notes = append(res.Notes, "no pictures on the cue sheet: "+err.Error())
	}
	var b bytes.Buffer
	words := fmt.Sprintf("%d frames at %s, %d samples at %d Hz", s.Reference.Frames, s.Reference.Rate, s.Length(), s.SampleRate)
	err := cueTemplate.Execute(&b, map[string]any{"Title": s.Title, "Words": words, "Rows": rows})
	return b.Bytes(), err
}

func addStills(ctx context.Context, f *score.Folder, s *score.Score, o DeliverOptions, rows []cueRow) error {
	stills, err := Stills(ctx, f, StillsOptions{Video: o.Video, Progress: o.Bounce.Progress})
	if err != nil {
		return err
	}
	defer stills.Close()
	for i := range rows {
		p, err := stills.Picture(rows[i].First, cueStillWidth)
		if err != nil {
			return err
		}
		var b bytes.Buffer
		if err := raster.PNG(&b, p.Pix, p.W, p.H); err != nil {
			return err
		}
		rows[i].Still = template.URL("data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes()))
	}
	return nil
}
