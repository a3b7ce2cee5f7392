package job

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"html/template"
	"strings"

	"cuechoir/engine/score"
)

// cueRow is a shot on the cue sheet: frames inside it, its time codes, what the
// music lands on there.
type cueRow struct {
	Shot, Name        string
	First, Frames     int64
	In, Out           string
	Hits              string
	Landings          []landing
	Whole             int64        // the first frame that no transition darkens or mixes
	Seconds, From, To string       // exact to a millisecond, for players
	Still             template.URL // a PNG, or ""
}

// landing is one hit of a shot.
type landing struct {
	Must           bool
	Word, At, Name string
}

func cueRows(s *score.Score) []cueRow {
	var out []cueRow
	rate := s.Reference.Rate
	second := func(frame int64) string {
		return fmt.Sprintf("%.3f", float64(rate.SampleOf(frame, s.SampleRate))/float64(s.SampleRate))
	}
	for _, x := range s.Shots() {
		r := cueRow{Shot: x.Word(), Name: x.Name, First: x.First, Whole: wholeFrame(s, x), Frames: x.Last + 1 - x.First, In: rate.Timecode(s.Reference.Start + x.First),
			Out: rate.Timecode(s.Reference.Start + x.Last + 1), From: second(x.First), To: second(x.Last + 1), Seconds: second(x.Last + 1 - x.First)}
		if r.Shot == "" {
			r.Shot = "dark"
		}
		var hits []string
		for _, h := range s.Hits {
			if h.Frame < x.First || h.Frame > x.Last {
				continue
			}
			l := landing{h.Must, "want", rate.Timecode(s.Reference.Start + h.Frame), h.Name}
			if h.Must {
				l.Word = "must"
			}
			r.Landings = append(r.Landings, l)
			hits = append(hits, strings.TrimSpace(l.Word+" "+l.At+" "+l.Name))
		}
		r.Hits = strings.Join(hits, "; ")
		out = append(out, r)
	}
	return out
}

// wholeFrame is the first frame of a shot behind the transition that it begins
// with; of a shot that is all transition the last.
func wholeFrame(s *score.Score, x score.Shot) int64 {
	frame := x.First
	for _, c := range s.Cuts {
		if c.Frame <= x.First && c.End > frame {
			frame = c.End
		}
	}
	return min(frame, x.Last)
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
