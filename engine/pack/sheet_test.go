package pack

import (
	"archive/zip"
	"bytes"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

func sheetOf(t testing.TB) Sheet {
	t.Helper()
	s, _ := song(t)
	var clicks []tempo.Click
	for i, c := range s.Clicks {
		clicks = append(clicks, tempo.Click{Sample: c.Sample, Accent: c.Shape == 1, CountIn: i < 4})
	}
	return NewSheet("alto", s.Layout, clicks, tempo.ClickOptions{Sound: tempo.SoundShort, CountIn: tempo.SoundSpoken}, s.Notes)
}

func TestSheetComesBack(t *testing.T) {
	want := sheetOf(t)
	text, err := want.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := DecodeSheet(text, "sheet")
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Fatalf("%v; %+v", err, got)
	}
	sent, err := got.Sent()
	if err != nil {
		t.Fatal(err)
	}
	// The spoken count-in is left out; what is left has two shapes.
	if len(sent.Clicks) != len(want.Clicks)-4 || len(sent.Shapes) != 2 || sent.Clicks[0].Sample != 0 || sent.Clicks[0].Shape == sent.Clicks[1].Shape {
		t.Errorf("%d clicks, %d shapes, %+v", len(sent.Clicks), len(sent.Shapes), sent.Clicks[:2])
	}
}

func TestSheetRefuses(t *testing.T) {
	change := func(with func(*Sheet)) {
		s := sheetOf(t)
		text, err := s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		s, _ = DecodeSheet(text, "")
		with(&s)
		if _, err := s.Encode(); err == nil {
			t.Error("it was written down")
		}
	}
	change(func(s *Sheet) { s.Clicks[3].Sample = math.MaxInt64 })
	change(func(s *Sheet) { s.Clicks[3].Sample = s.Clicks[1].Sample })
	change(func(s *Sheet) { s.Notes[0].Key = 128 })
	change(func(s *Sheet) { s.Notes[0].Sample = math.MinInt64 })
	change(func(s *Sheet) { s.Layout.From = s.Layout.To })
	change(func(s *Sheet) { s.Layout.SampleRate = 0 })
	change(func(s *Sheet) { s.Sound = "gong" })
	change(func(s *Sheet) { s.Clicks = make([]SheetClick, maxEvents+1) })
	for text, kind := range map[string]fault.Kind{
		"": fault.Malformed, "{": fault.Malformed, "[]": fault.Malformed, `{"version":2}`: fault.Unsupported, `{"version":1}`: fault.Malformed,
		`{"version":1,"layout":{"sample_rate":1e300}}`: fault.Malformed, strings.Repeat(" ", MaxSheetBytes+1): fault.OverLimit,
	} {
		_, err := DecodeSheet([]byte(text), "bounces/pack-alto.json")
		if fault.KindOf(err) != kind || !strings.Contains(err.Error(), "bounces/pack-alto.json") || !strings.Contains(err.Error(), "again") {
			t.Errorf("%.40q: %v, want %v", text, err, kind)
		}
	}
}

func FuzzSheet(f *testing.F) {
	text, err := sheetOf(f).Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"version":1,"layer":"a","layout":{"sample_rate":48000,"from":-96000,"to":480000},"sound":"tone","clicks":[{"sample":0,"part":2}],"notes":[]}`))
	f.Add([]byte(`{"version":1,"layout":{"sample_rate":8000,"from":0,"to":1},"clicks":null,"notes":[{"sample":-1,"key":127}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := DecodeSheet(text, "sheet")
		if err != nil {
			return
		}
		if s.Layout.Start() >= s.Layout.From || s.Layout.Stop() <= s.Layout.To {
			t.Fatalf("%+v", s.Layout)
		}
		if _, err := s.Sent(); err != nil {
			t.Fatal(err)
		}
		again, err := s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if back, err := DecodeSheet(again, "sheet"); err != nil || len(back.Clicks) != len(s.Clicks) || len(back.Notes) != len(s.Notes) {
			t.Fatalf("%v: %s", err, again)
		}
	})
}

// What is hostile in a title stays text, and nothing is fetched.
func TestLetter(t *testing.T) {
	l := Letter{Title: "The <script>alert(1)</script>\nLantern", Layer: "alto", Length: "1 minute", CountIn: 4, Notes: 24, Lowest: "G3", Highest: "G4",
		First: "A3", FirstAfter: "8 seconds", Guide: true, Files: []Item{{"sing-to-this.wav", "sing to this one"}}}
	text, err := l.Text()
	if err != nil {
		t.Fatal(err)
	}
	page, err := l.HTML()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(page), "<script") || strings.Contains(string(page), "http") || strings.Contains(string(page), "src=") {
		t.Errorf("the page holds what it must not: %s", page)
	}
	for name, got := range map[string]string{"text": string(text), "page": string(page)} {
		for _, want := range []string{"alto", "24 notes, from G3 to G4", "The first is A3, 8 seconds after", "4 clicks", "10 seconds", "sing-to-this.wav",
			"Volume:", "Headphones:", "Voice:", "Stop when it rings or hurts", "one earpiece", "microphone must hear them", "Do not pause"} {
			if !strings.Contains(strings.Join(strings.Fields(got), " "), want) && !strings.Contains(got, want) {
				t.Errorf("the %s lacks %q", name, want)
			}
		}
		if strings.Contains(got, "<no value>") || strings.Contains(got, "\n\n\n\n") {
			t.Errorf("the %s is untidy", name)
		}
	}
	if first, _, _ := bytes.Cut(text, []byte("\r\n")); string(first) != "The <script>alert(1)</script> Lantern: your part, alto" {
		t.Errorf("it begins with %q", first)
	}
	bare, err := Letter{Title: "T", Layer: "a", Length: "1 minute"}.Text()
	if err != nil || strings.Contains(string(bare), "notes") || strings.Contains(string(bare), "count you in") {
		t.Errorf("%v: %s", err, bare)
	}
}

// One pack is the same bytes each time, with no trace of the clock.
func TestZipIsTheSameEachTime(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"b.txt", "a.txt"} {
		if err := os.WriteFile(dir+"/"+name, []byte(strings.Repeat(name, 1000)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var one, two bytes.Buffer
	if err := Zip(t.Context(), &one, dir, "pack-alto", []string{"b.txt", "a.txt"}); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(dir+"/a.txt", parcelTime.AddDate(9, 0, 0), parcelTime.AddDate(9, 0, 0)); err != nil {
		t.Fatal(err)
	}
	if err := Zip(t.Context(), &two, dir, "pack-alto", []string{"b.txt", "a.txt"}); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one.Bytes(), two.Bytes()) {
		t.Error("two zips of the same files differ")
	}
	z, err := zip.NewReader(bytes.NewReader(one.Bytes()), int64(one.Len()))
	if err != nil || len(z.File) != 2 || z.File[0].Name != "pack-alto/b.txt" {
		t.Fatalf("%v, %+v", err, z)
	}
	for _, file := range z.File {
		if !file.Modified.Equal(parcelTime) || file.Mode() != 0o644 {
			t.Errorf("%s: %v, %v", file.Name, file.Modified, file.Mode())
		}
	}
	if err := Zip(t.Context(), &two, dir, "x", []string{"none"}); fault.KindOf(err) != fault.Missing {
		t.Errorf("a file that is gone: %v", err)
	}
}
