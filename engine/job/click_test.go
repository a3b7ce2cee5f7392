package job

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
)

// What is heard live, in a device's blocks, is what the file holds; each click
// of the file begins on its sample by hand, after silence; and the table says
// the same places.
func TestClickFileLiveAndTableAgree(t *testing.T) {
	for _, rate := range []timecode.Rate{timecode.Rate23976, timecode.Rate2997} {
		s := &score.Score{Title: "click", SampleRate: 48000, Map: &tempo.Map{Style: tempo.Steady, Sections: []tempo.Section{{Bars: 3, FramesPerQuarter: timecode.R(107, 8)}}}}
		s.Reference = score.Reference{Rate: rate, Frames: 160}
		dir := filepath.Join(t.TempDir(), "s")
		if _, err := score.Create(dir, func(string) (*score.Score, error) { return s, nil }); err != nil {
			t.Fatal(err)
		}
		f, err := score.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		o := ClickOptions{Sound: tempo.ClickOptions{Sound: tempo.SoundShort}, CSV: filepath.Join(dir, "click.csv")}
		res, err := Click(context.Background(), f, o)
		if err != nil {
			t.Fatal(err)
		}
		x := readMono(t, res.Path)
		if int64(len(x)) != res.To-res.From || res.To != rate.SampleOf(160, 48000) {
			t.Fatalf("%d samples, %d to %d", len(x), res.From, res.To)
		}
		checkLive(t, f, s, o, x, res.From)
		rows := readTable(t, o.CSV)
		for k, c := range res.Clicks {
			// (k-4) * 107/8 frames of 48000*1001/num samples, rounded by whole numbers, halves up.
			a, b := int64(k-4)*107*48000*rate.Den, 8*rate.Num
			want := floorDiv(2*a+b, 2*b)
			at := want - res.From
			if c.Sample != want || at > 0 && x[at-1] != 0 || x[at] == 0 {
				t.Errorf("%s: click %d is at %d, want %d", rate, k, c.Sample, want)
			}
			if rows[k+1][4] != strconv.FormatInt(want, 10) || rows[k+1][3] != strconv.FormatInt(rate.FrameOf(want, 48000), 10) {
				t.Errorf("%s: line %d is %v", rate, k+2, rows[k+1])
			}
		}
		if len(rows) != len(res.Clicks)+1 || len(res.Clicks) < 16 {
			t.Errorf("%d lines for %d clicks", len(rows), len(res.Clicks))
		}
	}
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func checkLive(t *testing.T, f *score.Folder, s *score.Score, o ClickOptions, x []float32, from int64) {
	t.Helper()
	_, clicks, err := clickSchedule(s, o)
	if err != nil {
		t.Fatal(err)
	}
	m, err := newMonitor(f, s, clicks, o.Sound, Hear{})
	if err != nil {
		t.Fatal(err)
	}
	defer m.Close()
	block := make([]float32, 479)
	for at := 0; at+len(block) <= len(x); at += len(block) {
		if err := m.Fill(block, from+int64(at)); err != nil {
			t.Fatal(err)
		}
		for i, v := range block {
			if math.Abs(float64(v-x[at+i])) > 1.0/(1<<23) {
				t.Fatalf("sample %d is %g live and %g in the file", at+i, v, x[at+i])
			}
		}
	}
}

func readMono(t *testing.T, path string) []float32 {
	t.Helper()
	r, err := audiofile.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x := make([]float32, r.Frames())
	if _, err := r.Read(x); err != nil {
		t.Fatal(err)
	}
	return x
}

func readTable(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}
