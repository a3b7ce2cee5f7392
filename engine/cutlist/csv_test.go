package cutlist

import (
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

func axis(r timecode.Rate, start string, frames int64) Axis {
	s, err := r.ParseTimecode(start)
	if err != nil {
		panic(err)
	}
	return Axis{Rate: r, Start: s, Frames: frames}
}

func frames(cuts []Cut) (out []int64) {
	for _, c := range cuts {
		out = append(out, c.Frame)
	}
	return out
}

// One hour of drop-frame time code is 107892 frames (SMPTE ST 12-1), so
// 01:00:10;00 on a clock that starts at the hour is frame 300.
func TestCSVPositions(t *testing.T) {
	cases := []struct {
		name, text string
		axis       Axis
		want       []int64
	}{
		{"bare frames", "10\n240\n", axis(timecode.Rate24, "00:00:00:00", 1000), []int64{10, 240}},
		{"header, other order", "name,frame\nbell,12\n", axis(timecode.Rate24, "00:00:00:00", 1000), []int64{12}},
		{"time code on the reference's clock", "timecode\n01:00:10;00\n", axis(timecode.Rate2997DF, "01:00:00;00", 1000), []int64{300}},
		{"bare time code", "01:00:01:00\n01:00:02:12\n", axis(timecode.Rate25, "01:00:00:00", 1000), []int64{25, 62}},
		{"seconds by header", "seconds\n10\n", axis(timecode.Rate23976, "00:00:00:00", 1000), []int64{240}},
		{"seconds by their point", "10.01\n2.5s\n", axis(timecode.Rate23976, "00:00:00:00", 1000), []int64{60, 240}},
		{"semicolons, comments, CRLF, BOM", "\ufeff# cuts\r\nframe;kind;end\r\n5;dissolve;17\r\n", axis(timecode.Rate24, "00:00:00:00", 1000), []int64{5}},
		{"twice the same frame", "7\n7\n", axis(timecode.Rate24, "00:00:00:00", 1000), []int64{7}},
	}
	for _, c := range cases {
		l, problems := read(t, FormatCSV, c.text, c.axis)
		if len(problems) > 0 || !reflect.DeepEqual(frames(l.Cuts), c.want) {
			t.Errorf("%s: %v, %v, want %v", c.name, frames(l.Cuts), problems, c.want)
		}
	}
}

func TestCSVTellsEachBadLine(t *testing.T) {
	text := "frame,kind,end\n10,cut\nhello\n-5\n99999\n20,wobble\n30,dissolve,25\n\"40\n50,dissolve,62\n60,cut,60,,,,extra\n"
	l, problems := read(t, FormatCSV, text, axis(timecode.Rate24, "00:00:00:00", 1000))
	checkList(t, l, problems, []Cut{hard(10, ""), soft(Dissolve, 50, 62, "")}, []int{3, 4, 5, 6, 7, 8, 10})
}

func TestCSVRefuses(t *testing.T) {
	big := strings.Repeat("1\n", MaxTableRows+1)
	for text, kind := range map[string]fault.Kind{"\x00\x01": fault.Malformed, "\xff\xfe1": fault.Malformed, big: fault.OverLimit} {
		_, _, err := Read(strings.NewReader(text), "x.csv", FormatCSV, axis(timecode.Rate24, "00:00:00:00", 10))
		if fault.KindOf(err) != kind {
			t.Errorf("%.10q: %v, want %v", text, err, kind)
		}
	}
}
