package score

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/part"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

func sample() *Score {
	r := timecode.Rate23976
	start, _ := r.ParseTimecode("01:00:00:00")
	return &Score{
		Title: "The lamp at Orrin Head", SampleRate: 48000,
		Reference: Reference{Source: "lamp.mp4", Sound: "reference/sound.wav", Rate: r, Frames: 1440, Start: start},
		FirstShot: "the quay",
		Cuts:      []cutlist.Cut{{Frame: 48, End: 48, Kind: cutlist.HardCut, Confidence: 0.97}, {Frame: 96, End: 120, Kind: cutlist.Dissolve, Confidence: 0.8, Name: "sea", Hand: true}},
		Withdrawn: []Withdrawn{{Frame: 0, End: 12}, {Frame: 95, End: 118, Moved: true, To: 96}, {Frame: 300, End: 300, Moved: true}},
		Hits:      []tempo.Hit{{Frame: 48, Must: true, Lands: tempo.LandsBar, Bar: 2, Beat: 1, Name: "door"}, {Frame: 96, Tolerance: 2, Lands: tempo.LandsHalf}},
		Taps:      []int64{0, 24024, 47001},
		Map:       &tempo.Map{Style: tempo.Steady, Start: timecode.R(-1, 3), Sections: []tempo.Section{{Bars: 8, Metre: tempo.Metre{Num: 4, Den: 4}, FramesPerQuarter: timecode.R(45, 4), Extra: timecode.Int(0)}}},
		Layers: []Layer{{Name: "brass-1", Group: "brass", Notes: []part.Note{{Start: timecode.Int(0), Length: timecode.R(3, 2), Key: 57, Lyric: "pah"}}, Use: "t1", GainDB: -3, Pan: -0.5,
			Comp:  []Span{{"002", 48000, 96000, Joint{48100, 960}, Joint{95000, 480}}, {"003", 96000, 144000, Joint{95000, 480}, Joint{144000, 960}}},
			Marks: []Mark{{"002", -480, 4, "the best breath"}, {Take: "003", Rating: 2}}}, {Name: "drums", Mute: true}},
	}
}

func TestRoundTrip(t *testing.T) {
	s := sample()
	data, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(data, FileName)
	if err != nil {
		t.Fatalf("%v in\n%s", err, data)
	}
	if !reflect.DeepEqual(s, back) {
		t.Errorf("the document changed on its way:\n%+v\n%+v", s, back)
	}
	again, _ := Encode(back)
	if !bytes.Equal(data, again) {
		t.Error("the same document has two texts")
	}
}

// A frame at 24000/1001 is 2002 samples at 48 kHz, so 1440 of them are 2882880.
func TestLength(t *testing.T) {
	s := sample()
	if got := s.Length(); got != 2882880 {
		t.Errorf("Length = %d, want 2882880", got)
	}
	s.Reference.Samples = 2882001
	if err := s.Validate(); err != nil || s.Length() != 2882001 {
		t.Errorf("Length of sound alone = %d, %v, want 2882001", s.Length(), err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	good, err := Encode(sample())
	if err != nil {
		t.Fatal(err)
	}
	edit := func(old, repl string) string {
		if !strings.Contains(string(good), old) {
			t.Fatalf("the sample has no %q:\n%s", old, good)
		}
		return strings.Replace(string(good), old, repl, 1)
	}
	cases := []struct {
		name, text, says string
		kind             fault.Kind
	}{
		{"newer version", edit("version = 1", "version = 99"), "version 99", fault.Unsupported},
		{"no version", edit("version = 1", ""), "no version", fault.Malformed},
		{"empty", "", "no version", fault.Malformed},
		{"not TOML", "\x00\x01garbage", "line 1", fault.Malformed},
		{"unknown key", edit("title =", "tittle = \"x\"\ntitle ="), "tittle", fault.Malformed},
		{"path climbs out", edit("reference/sound.wav", "../../etc/passwd"), "leaves the score's folder", fault.Malformed},
		{"absolute path", edit("reference/sound.wav", "/etc/passwd"), "leaves the score's folder", fault.Malformed},
		{"negative hit", edit("frame = 48\nweight", "frame = -48\nweight"), "outside the reference", fault.Malformed},
		{"negative length", edit("frames = 1440", "frames = -1440"), "outside 1 to", fault.Malformed},
		{"absurd length", edit("frames = 1440", "frames = 999999999999"), "outside 1 to", fault.Malformed},
		{"rate zero", edit("24000/1001", "0/1"), "rate", fault.Malformed},
		{"negative start", edit("01:00:00:00", "-1:00:00:00"), "start", fault.Malformed},
		{"layer name climbs out", edit("brass-1", "../x"), "cannot be a name", fault.Malformed},
		{"take name climbs out", edit("use = 't1'", "use = '../../t1'"), "cannot be a name", fault.Malformed},
		{"pan beyond", edit("pan = -0.5", "pan = 5.0"), "pan", fault.Malformed},
		{"gain not a number", edit("gain_db = -3.0", "gain_db = nan"), "gain_db", fault.Malformed},
		{"terminal codes in the title", edit("'The lamp at Orrin Head'", "\"\\u001b[2J\""), "control character", fault.Malformed},
		{"weight", edit("weight = 'must'", "weight = 'perhaps'"), "perhaps", fault.Malformed},
		{"withdrawn outside", edit("frame = 300", "frame = 1440"), "[[withdrawn]] 3", fault.Malformed},
		{"moved outside", edit("moved_to = 96", "moved_to = -1"), "[[withdrawn]] 2", fault.Malformed},
		{"withdrawn out of order", edit("frame = 300", "frame = 95"), "does not come after", fault.Malformed},
		{"withdrawn end before", edit("end = 118", "end = 80"), "[[withdrawn]] 2: end 80", fault.Malformed},
		{"tempo zero", edit("45/4", "0"), "map", fault.Malformed},
	}
	for _, c := range cases {
		_, err := Decode([]byte(c.text), "score.toml")
		if err == nil || fault.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.says) || !strings.HasPrefix(err.Error(), "score.toml") {
			t.Errorf("%s: %v (%v), want %v that says %q", c.name, err, fault.KindOf(err), c.kind, c.says)
		}
		if err != nil && strings.ContainsAny(err.Error(), "\x1b\n") {
			t.Errorf("%s: the message is not one clean line: %q", c.name, err)
		}
	}
}

func makeFolder(t *testing.T) *Folder {
	dir := filepath.Join(t.TempDir(), "lamp")
	_, err := Create(dir, func(string) (*Score, error) { return sample(), nil })
	if err != nil {
		t.Fatal(err)
	}
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func TestEditIsWholeOrNotAtAll(t *testing.T) {
	f := makeFolder(t)
	before, _ := os.ReadFile(f.Path(FileName))
	for name, change := range map[string]func(*Score) error{
		"change fails":   func(*Score) error { return errors.New("no") },
		"result invalid": func(s *Score) error { s.Reference.Frames = -1; return nil },
	} {
		if _, err := f.Edit("x", change); err == nil {
			t.Errorf("%s: no error", name)
		}
		if after, _ := os.ReadFile(f.Path(FileName)); !bytes.Equal(before, after) {
			t.Errorf("%s: the document changed", name)
		}
	}
	if _, err := f.Edit("title changed", func(s *Score) error { s.Title = "Other"; return nil }); err != nil {
		t.Fatal(err)
	}
	if s, err := f.Load(); err != nil || s.Title != "Other" {
		t.Errorf("the edit is not there: %v, %v", s, err)
	}
	left, _ := filepath.Glob(f.Path("*.tmp"))
	if len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestSecondEditorIsTold(t *testing.T) {
	f := makeFolder(t)
	_, err := f.Edit("x", func(*Score) error {
		_, err := f.Edit("x", func(*Score) error { return nil })
		if fault.KindOf(err) != fault.Conflict {
			t.Errorf("the second editor got %v, want a conflict", err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestCreateLeavesNothingHalfMade(t *testing.T) {
	parent := t.TempDir()
	dir := filepath.Join(parent, "x")
	if _, err := Create(dir, func(string) (*Score, error) { return nil, errors.New("interrupted") }); err == nil {
		t.Fatal("no error")
	}
	if left, _ := os.ReadDir(parent); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	os.Mkdir(dir, 0o755)
	os.WriteFile(filepath.Join(dir, "diary.txt"), []byte("mine"), 0o644)
	_, err := Create(dir, func(string) (*Score, error) { return sample(), nil })
	if fault.KindOf(err) != fault.Conflict {
		t.Errorf("a folder with things in it: %v, want a conflict", err)
	}
	if b, _ := os.ReadFile(filepath.Join(dir, "diary.txt")); string(b) != "mine" {
		t.Error("the folder was touched")
	}
}

func TestLinksDoNotLeaveTheFolder(t *testing.T) {
	f := makeFolder(t)
	outside := filepath.Join(t.TempDir(), "secret.wav")
	os.WriteFile(outside, []byte("secret"), 0o644)
	if err := os.Symlink(outside, f.Path("reference/sound.wav")); err != nil {
		t.Skip("this system makes no links:", err)
	}
	if file, err := f.OpenFile("reference/sound.wav"); err == nil {
		file.Close()
		t.Error("a link led out of the folder")
	}
}

func TestHitTable(t *testing.T) {
	text := "frame,weight,tolerance,lands,name,bar,beat\n48,must,0,bar,door,2,1\n100,want\n120,want,3,half\n99999\n60,never\n61,must,-1\n62,must,0,roof\n"
	hits, problems, err := ReadHits(strings.NewReader(text), "hits.csv", sample().Axis())
	want := []tempo.Hit{{Frame: 48, Must: true, Lands: "bar", Name: "door", Bar: 2, Beat: 1}, {Frame: 100, Tolerance: 1, Lands: "bar"}, {Frame: 120, Tolerance: 3, Lands: "half"}}
	if err != nil || !reflect.DeepEqual(hits, want) {
		t.Errorf("%v, %+v, want %+v", err, hits, want)
	}
	if len(problems) != 4 || problems[0].Line != 5 || problems[3].Line != 8 {
		t.Errorf("problems %v, want lines 5 to 8", problems)
	}
}

func TestNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		if CheckName(name) == nil && (!filepath.IsLocal(name) || strings.ContainsAny(name, `/\.: `)) {
			t.Fatalf("%q can name a folder", name)
		}
	})
}

func FuzzScore(f *testing.F) {
	good, err := Encode(sample())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	mix, err := Encode(mixed())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(mix)
	f.Add([]byte("version = 1\n"))
	f.Add([]byte("version = 1\n[[[["))
	f.Add(bytes.Repeat([]byte("[a."), 1000))
	f.Add(bytes.Replace(good, []byte("45/4"), []byte("1/9007199254740992"), 1))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Decode(data, FileName)
		if err != nil {
			if fault.KindOf(err) == fault.Unexpected {
				t.Fatalf("an error without a kind: %v", err)
			}
			return
		}
		text, err := Encode(s)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Decode(text, FileName); err != nil {
			t.Fatalf("what was read cannot be read again: %v\n%s", err, text)
		}
	})
}
