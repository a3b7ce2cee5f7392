package part

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/reftool"
)

// The map as an independent reader of the format tells it: Debian's midicsv
// prints every event with its tick; the time of each tick is reckoned here.
func TestMapThroughMidicsv(t *testing.T) {
	tool := reftool.Need(t, "midicsv")
	m := tempo.Map{Start: timecode.R(5, 2), Sections: []tempo.Section{
		{Bars: 8, FramesPerQuarter: timecode.R(60*24000, 1001*97)},
		{Bars: 4, Metre: tempo.Metre{Num: 3, Den: 4}, FramesPerQuarter: timecode.Int(15), EndFramesPerQuarter: timecode.R(41, 4), Hold: timecode.Int(70)},
		{Bars: 10, Metre: tempo.Metre{Num: 6, Den: 8}, FramesPerQuarter: timecode.R(41, 4), EndFramesPerQuarter: timecode.Int(20)},
		{Bars: 2, FramesPerQuarter: timecode.Int(20)}}}
	rate, frames := timecode.Rate23976, int64(24*300)
	g, err := tempo.NewGrid(m, rate, frames)
	if err != nil {
		t.Fatal(err)
	}
	marks := []FrameMark{{0, "picture"}, {100, "cut"}, {612, "hit: door"}, {2000, "cut"}}
	path := t.TempDir() + "/map.mid"
	var b bytes.Buffer
	if err := WriteSMF(&b, nil, ConductorOf(g, "map", marks)); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command(tool, path).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	song := readMidicsv(t, text)
	if song.format != 1 {
		t.Errorf("format %d, want 1", song.format)
	}
	if got := strings.Join(song.metres, " "); got != "4/4 3/4 6/8 4/4" {
		t.Errorf("metres %s", got)
	}
	origin, from := Origin(g)
	seconds := func(frame float64) float64 { return (frame - from.Float()) / rate.Float() }
	worst := 0.0
	for _, beat := range g.Beats(48000) {
		off := song.seconds(beat.Quarter.Sub(origin).Float()*song.division) - seconds(beat.Frame.Float())
		worst = max(worst, math.Abs(off))
	}
	if worst > 0.001 {
		t.Errorf("a beat lies %.3f ms off", 1000*worst)
	}
	if len(song.marks) != len(marks) {
		t.Fatalf("marks %v", song.marks)
	}
	for i, x := range song.marks {
		if off := song.seconds(x.tick) - seconds(float64(marks[i].Frame)); math.Abs(off) > 0.001 || x.text != marks[i].Text {
			t.Errorf("mark %q lies %.3f ms off, want %q", x.text, 1000*off, marks[i].Text)
		}
	}
	t.Logf("%d tempos, worst beat %.3f ms off", len(song.tempos), 1000*worst)
}

type midicsvSong struct {
	format   int
	division float64
	tempos   []struct{ tick, us float64 }
	metres   []string
	marks    []struct {
		tick float64
		text string
	}
}

func readMidicsv(t *testing.T, text []byte) (s midicsvSong) {
	r := csv.NewReader(bytes.NewReader(text))
	r.FieldsPerRecord, r.TrimLeadingSpace = -1, true
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	num := func(x string) float64 {
		n, err := strconv.ParseFloat(x, 64)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, row := range rows {
		switch tick := num(row[1]); row[2] {
		case "Header":
			s.format, s.division = int(num(row[3])), num(row[5])
		case "Tempo":
			s.tempos = append(s.tempos, struct{ tick, us float64 }{tick, num(row[3])})
		case "Time_signature":
			s.metres = append(s.metres, row[3]+"/"+strconv.Itoa(1<<int(num(row[4]))))
		case "Marker_t":
			s.marks = append(s.marks, struct {
				tick float64
				text string
			}{tick, row[3]})
		}
	}
	return s
}

// seconds of a tick, by the standard: microseconds a quarter over the division.
func (s midicsvSong) seconds(tick float64) float64 {
	sum := 0.0
	for i, x := range s.tempos {
		end := tick
		if i+1 < len(s.tempos) {
			end = min(tick, s.tempos[i+1].tick)
		}
		if end > x.tick {
			sum += (end - x.tick) / s.division * x.us / 1e6
		}
	}
	return sum
}
