package cutlist

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

func sample(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", "others", name))
	if err != nil {
		t.Fatal(err) // a sample that is missing is a failure, not a skip
	}
	return string(b)
}

func hard(frame int64, name string) Cut {
	return Cut{Frame: frame, End: frame, Kind: HardCut, Confidence: 1, Name: name}
}

func soft(kind Kind, frame, end int64, name string) Cut {
	return Cut{Frame: frame, End: end, Kind: kind, Confidence: 1, Name: name}
}

func linesOf(problems []Problem) (lines []int) {
	for _, p := range problems {
		lines = append(lines, p.Line)
	}
	return lines
}

func checkList(t *testing.T, got List, problems []Problem, want []Cut, lines []int) {
	t.Helper()
	if !reflect.DeepEqual(got.Cuts, want) {
		t.Errorf("cuts\n%+v, want\n%+v", got.Cuts, want)
	}
	if !reflect.DeepEqual(linesOf(problems), lines) {
		t.Errorf("told lines %v, want %v: %v", linesOf(problems), lines, problems)
	}
}

// The cuts of each sample were worked out by hand from its record times:
// seconds times the rate plus frames, from the start of the list.
func TestEDLSamples(t *testing.T) {
	t.Run("25fps", func(t *testing.T) {
		// 06:11 = 6*25+11 = 161; 14:11 = 361; 17:22 = 447
		l, p := read(t, FormatEDL, sample(t, "25fps.edl"), axis(timecode.Rate25, "00:00:00:00", 496))
		checkList(t, l, p, []Cut{hard(161, "sq001_s002"), hard(361, "sq001_s003"), hard(447, "sq001_s004")}, nil)
		if l.Title != "SQ0002_A2" {
			t.Errorf("title %q", l.Title)
		}
	})
	t.Run("dissolve", func(t *testing.T) {
		// Record 01:00:00:09, 10 frames: mixed frames 9 to 18. Event 003 goes on
		// from the same reel, clip and source frame (01:00:08:18) at which the
		// dissolve ended: the picture does not change at 19.
		l, p := read(t, FormatEDL, sample(t, "dissolve_test.edl"), axis(timecode.Rate24, "01:00:00:00", 20))
		checkList(t, l, p, []Cut{soft(Dissolve, 9, 19, "clip_B")}, nil)
	})
	t.Run("wipe", func(t *testing.T) {
		l, p := read(t, FormatEDL, sample(t, "wipe_test.edl"), axis(timecode.Rate24, "01:00:00:00", 20))
		checkList(t, l, p, []Cut{soft(Wipe, 9, 19, "clip_B")}, nil)
	})
	t.Run("gap", func(t *testing.T) {
		// 24 fps: shot 0 to 24, black to 1:16 = 40, shot to 2:16 = 64, black to
		// 4:06 = 102, shot to the end. The lines FROM CLIP NAME lack their *.
		l, p := read(t, FormatEDL, sample(t, "gap_test.edl"), axis(timecode.Rate24, "00:00:00:00", 126))
		checkList(t, l, p, []Cut{hard(24, ""), hard(40, ""), hard(64, ""), hard(102, "")}, []int{4, 6, 8})
	})
}

func TestEDLForms(t *testing.T) {
	at24 := axis(timecode.Rate24, "01:00:00:00", 240)
	cases := []struct {
		name, text string
		axis       Axis
		want       []Cut
		lines      []int
	}{
		{"fades through black, as editors write them", `
001  BL       V     C        00:00:00:00 00:00:00:00 01:00:00:00 01:00:00:00
001  T1       V     D    024 00:00:10:00 00:00:12:00 01:00:00:00 01:00:02:00
* TO CLIP NAME: harbour
002  T1       V     C        00:00:12:00 00:00:12:00 01:00:02:00 01:00:02:00
002  BL       V     D    012 00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00
003  BL       V     C        00:00:00:00 00:00:00:00 01:00:03:00 01:00:03:00
003  T2       V     D    006 00:00:00:00 00:00:02:00 01:00:03:00 01:00:05:00`, at24,
			[]Cut{soft(FadeIn, 0, 24, "harbour"), soft(FadeOut, 48, 60, ""), soft(FadeIn, 72, 78, "")}, nil},
		{"black as events, cuts to it and from it", `
001  BL       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
002  T1       V     C        00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00
003  BL       V     C        00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00
004  BL       V     C        00:00:00:00 00:00:01:00 01:00:03:00 01:00:04:00`, at24,
			[]Cut{hard(24, ""), hard(48, "")}, nil},
		{"a first event that begins late is a cut out of black", "001  T1 V C 00:00:00:00 00:00:01:00 01:00:00:01 01:00:01:01\n", at24, []Cut{hard(1, "")}, nil},
		{"the shot before a dissolve in one event with it; FROM names it", `
001  T1       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
002  T2       V     C        00:00:00:00 00:00:02:00 01:00:01:00 01:00:03:00
002  T3       V     D    012 00:00:00:00 00:00:02:00 01:00:03:00 01:00:05:00
* FROM CLIP NAME: sea
* TO CLIP NAME: fire`, at24, []Cut{hard(24, "sea"), soft(Dissolve, 72, 84, "fire")}, nil},
		{"sound, speed, splits and notes are passed over", "TITLE: x\r\n\r\n001  T1 AA    C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00\r\n" +
			"002  T1 AA/V  C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00\r\nM2   T1       048.0                00:00:00:00\r\n" +
			"SPLIT:    AUDIO DELAY=  00:00:00:05\r\n* a note\r\n>>> SOURCE T1\r\n003  T2 B     C 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\r\n",
			at24, []Cut{hard(24, "")}, nil},
		{"later picture channels and keys are told", `
001  T1       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
002  T2       V2    C        00:00:00:00 00:00:01:00 01:00:00:12 01:00:01:12
003  T3       V     K B      00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00
003  T4       V     K    012 00:00:00:00 00:00:00:12 01:00:01:12 01:00:02:00`, at24, []Cut{hard(24, "")}, []int{3, 5}},
		{"a reel with a space, events out of order, an overlap that is told", `
002  MY REEL  V     C        00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00
001  T1       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:12`, at24, []Cut{hard(24, "")}, []int{2}},
		{"each bad line is told, the rest is read", `TITLE: faults
FCM: SOMETIMES
001  T1       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
002  T1       V     C        00:00:01:00 00:00:02:00 01:00:01:00
003  T1       V     X        00:00:02:00 00:00:03:00 01:00:02:00 01:00:03:00
004  T1       V     C        00:00:02:00 00:00:03:00 01:00:02:00 01:00:0x:00
hello
005  T1       V     C        00:00:02:00 00:00:03:00 01:00:03:00 01:00:02:00
006  T1       V     C        00:00:02:00 00:00:03:00 01:00:02:77 01:00:03:00
007  T1       V     C        00:00:02:00 00:00:03:00 01:00:04:00 01:00:05:00 9
008  T1       V     C        00:00:02:00 00:00:03:00 01:00:05:00 01:00:06:00
* CUECHOIR: kind=wobble
* LOC: 01:00:99:00 RED  never
* LOC: nowhere
009  T1       V     C        00:00:02:00 00:00:03:00 09:00:06:00 09:00:07:00
010  T1 C 00:00:02:00 00:00:03:00 01:00:06:00 01:00:07:00
011`, at24, []Cut{hard(24, ""), hard(120, "")}, []int{2, 4, 5, 6, 7, 8, 9, 10, 12, 13, 14, 15, 16, 17}},
		{"a transition beyond the end is cut short and told", `
001  T1       V     C        00:00:00:00 00:00:09:18 01:00:00:00 01:00:09:18
002  T1       V     C        00:00:09:18 00:00:09:18 01:00:09:18 01:00:09:18
002  BL       V     D    012 00:00:00:00 00:00:00:12 01:00:09:18 01:00:10:06`, at24, []Cut{soft(FadeOut, 234, 240, "")}, []int{4, 4}},
		{"a leader before the reference's start is no trouble", `
001  T1       V     C        00:00:00:00 00:00:12:00 00:59:50:00 01:00:02:00
002  T1       V     C        00:00:20:00 00:00:22:00 01:00:02:00 01:00:04:00`, at24, []Cut{hard(48, "")}, nil},
		{"what lies outside the reference is told and leaves no gap", `
001  T1       V     C        00:00:00:00 00:00:01:00 00:59:58:00 00:59:59:00
002  T1       V     C        00:00:00:00 00:00:09:00 01:00:00:00 01:00:09:00
003  T1       V     C        00:00:20:00 00:00:22:00 01:00:10:00 01:00:12:00`, at24, nil, []int{2, 4}},
		{"over midnight", `
001  T1       V     C        23:59:59:00 00:00:01:00 23:59:59:00 00:00:01:00
002  T1       V     C        00:00:01:00 00:00:02:00 00:00:01:00 00:00:02:00`, axis(timecode.Rate24, "23:59:59:00", 72), []Cut{hard(48, "")}, nil},
		// SMPTE ST 12-1: 01:00:59;29 is followed by 01:01:00;02, 1800 frames from 01:00:00;00
		{"drop-frame, with colons and FCM", "FCM: DROP FRAME\n001 T1 V C 01:00:00:00 01:01:00:02 01:00:00:00 01:01:00:02\n002 T1 V C 05:00:00:00 05:00:01:00 01:01:00:02 01:01:01:02\n",
			axis(timecode.Rate2997DF, "01:00:00;00", 1900), []Cut{hard(1800, "")}, nil},
		{"a later FCM line is of source reels", "FCM: DROP FRAME\n001 T1 V C 01:00:00:00 01:00:01:00 01:00:00:00 01:00:01:00\nFCM: NON-DROP FRAME\n002 T1 V C 05:00:00:00 05:00:01:00 01:00:01:00 01:00:02:00\n",
			axis(timecode.Rate2997DF, "01:00:00;00", 1900), []Cut{hard(30, "")}, nil},
		{"a label that drop-frame counting skips", "001 T1 V C 01:00:00;00 01:00:01;00 01:00:00;00 01:00:01;00\n002 T1 V C 01:01:00;00 01:01:01;00 01:01:00;00 01:01:01;00\n",
			axis(timecode.Rate2997DF, "01:00:00;00", 1900), nil, []int{2}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l, p := read(t, FormatEDL, c.text, c.axis)
			checkList(t, l, p, c.want, c.lines)
		})
	}
}

// Where a transition's tail stands in an event of its own no picture changes;
// where the shot, the clip or the source frame is another one, it does.
func TestEDLTransitionTail(t *testing.T) {
	a := axis(timecode.Rate24, "01:00:00:00", 240)
	text := `
001  T1       V     C        00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
002  T1       V     C        00:00:01:00 00:00:01:00 01:00:01:00 01:00:01:00
002  T2       V     D    012 00:00:05:00 00:00:05:12 01:00:01:00 01:00:01:12
* TO CLIP NAME: fire
003  T2       V     C        00:00:05:12 00:00:07:12 01:00:01:12 01:00:03:12
* FROM CLIP NAME: fire
`
	l, p := read(t, FormatEDL, text, a)
	checkList(t, l, p, []Cut{soft(Dissolve, 24, 36, "fire")}, nil)
	for _, c := range [][2]string{{"003  T2", "003  T9"}, {"00:00:05:12 00:00:07:12", "00:00:05:13 00:00:07:13"}, {"* FROM CLIP NAME: fire", "* FROM CLIP NAME: ice"},
		{"01:00:01:12 01:00:03:12", "01:00:02:12 01:00:04:12"}} {
		other := strings.Replace(text, c[0], c[1], 1)
		if other == text {
			t.Fatalf("%q is not in the list", c[0])
		}
		if l, _ := read(t, FormatEDL, other, a); len(l.Cuts) < 2 || l.Cuts[1].Frame != 36 {
			t.Errorf("with %q: %+v, want a second cut at 36", c[1], l.Cuts)
		}
	}
}

func TestEDLMarkers(t *testing.T) {
	text := `* LOC: 01:00:01:14 RED     MEND THE DOOR
001  T1       V     C        00:00:00:00 00:00:09:00 01:00:00:00 01:00:09:00
* LOC: 01:00:00:02 the sea
* LOC: 01:00:00:02`
	l, p := read(t, FormatEDL, text, axis(timecode.Rate24, "01:00:00:00", 240))
	want := []Marker{{2, "the sea"}, {2, ""}, {38, "MEND THE DOOR"}}
	if !reflect.DeepEqual(l.Markers, want) || len(p) > 0 {
		t.Errorf("%+v %v, want %+v", l.Markers, p, want)
	}
}

// A list on another clock or in another counting is refused whole, with one
// problem that names both.
func TestEDLClashes(t *testing.T) {
	dropList := "FCM: DROP FRAME\n001 T1 V C 01:00:00;00 01:00:01;00 01:00:00;00 01:00:01;00\n002 T1 V C 01:00:01;00 01:00:02;00 01:00:01;00 01:00:02;00\n"
	colons := strings.ReplaceAll(dropList, ";", ":")
	cases := []struct {
		name, text string
		axis       Axis
		line       int
		words      []string
	}{
		{"25 on 24, seen in source times alone", sample(t, "25fps.edl"), axis(timecode.Rate24, "00:00:00:00", 1000), 13, []string{"25 frames in a second", "24 (its time code counts 24"}},
		{"25 on 24000/1001", sample(t, "25fps.edl"), axis(timecode.Rate23976, "00:00:00:00", 1000), 13, []string{"counts 25 frames", "24000/1001"}},
		{"30 on 24, in record times", "001 T1 V C 00:00:00:00 00:00:01:29 01:00:00:00 01:00:01:29\n002 T1 V C 00:00:00:00 00:00:01:28 01:00:01:29 01:00:03:27\n",
			axis(timecode.Rate24, "01:00:00:00", 1000), 1, []string{"counts 30 frames", "counts 24"}},
		{"24 on 25, in lengths that agree at 24 alone", "001 T1 V C 00:00:00:20 00:00:01:10 01:00:00:00 01:00:00:14\n002 T1 V C 00:00:00:00 00:00:01:14 01:00:00:14 01:00:02:04\n" +
			"003 T1 V C 00:00:00:00 00:00:01:00 01:00:02:04 01:00:03:04\n004 T1 V C 00:00:00:10 00:00:01:00 01:00:03:04 01:00:03:18\n", axis(timecode.Rate25, "01:00:00:00", 1000), 1, []string{"counts 24 frames", "counts 25"}},
		{"drop on non-drop", dropList, axis(timecode.Rate2997, "01:00:00:00", 1000), 2, []string{"drop-frame", "non-drop", "30000/1001"}},
		{"drop on 25", dropList, axis(timecode.Rate25, "01:00:00:00", 1000), 2, []string{"drop-frame", "at 25"}},
		{"drop by FCM alone on non-drop", colons, axis(timecode.Rate2997, "01:00:00:00", 1000), 1, []string{"drop-frame", "non-drop"}},
		{"non-drop on drop", strings.Replace(colons, "DROP", "NON-DROP", 1), axis(timecode.Rate2997DF, "01:00:00;00", 1000), 1, []string{"non-drop", "drop-frame"}},
		{"another clock", sample(t, "gap_test.edl"), axis(timecode.Rate24, "01:00:00:00", 1000), 3, []string{"00:00:00:00", "00:00:05:06", "01:00:00:00", "start time code"}},
	}
	for _, c := range cases {
		l, p := read(t, FormatEDL, c.text, c.axis)
		if len(l.Cuts) > 0 || len(p) != 1 || p[0].Line != c.line {
			t.Errorf("%s: %+v %v, want one problem at line %d and no cuts", c.name, l.Cuts, p, c.line)
			continue
		}
		for _, w := range c.words {
			if !strings.Contains(p[0].What, w) {
				t.Errorf("%s: %q does not say %q", c.name, p[0].What, w)
			}
		}
	}
}

// One wild frame number is a bad line, not another rate.
func TestEDLOneWildFrameNumber(t *testing.T) {
	text := `001 T1 V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
002 T1 V C 00:00:00:00 00:00:01:00 01:00:01:00 01:00:01:27
003 T1 V C 00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00
`
	l, p := read(t, FormatEDL, text, axis(timecode.Rate24, "01:00:00:00", 240))
	checkList(t, l, p, []Cut{hard(24, ""), hard(48, "")}, []int{2})
}

// An event whose source is a frame longer than its record is no other rate,
// though at 25 both would be 45 frames long.
func TestEDLOneUnevenEvent(t *testing.T) {
	text := "001 T1 V C 00:00:00:00 00:00:01:20 01:00:00:05 01:00:02:00\n002 T1 V C 00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00\n"
	l, p := read(t, FormatEDL, text, axis(timecode.Rate24, "01:00:00:00", 240))
	checkList(t, l, p, []Cut{hard(5, ""), hard(48, "")}, nil)
}

func TestEDLRefuses(t *testing.T) {
	a := axis(timecode.Rate24, "00:00:00:00", 100)
	for name, c := range map[string]struct {
		text string
		kind fault.Kind
	}{
		"binary":       {"\x00\x01", fault.Malformed},
		"UTF-16":       {"\xff\xfeT\x00", fault.Malformed},
		"large":        {strings.Repeat("\n", MaxListBytes+1), fault.OverLimit},
		"many faults":  {strings.Repeat("x\n", maxProblems+2), fault.OverLimit},
		"many markers": {strings.Repeat("* LOC: 00:00:00:01\n", MaxCuts+2), fault.OverLimit},
	} {
		_, _, err := Read(strings.NewReader(c.text), "x.edl", FormatEDL, a)
		if fault.KindOf(err) != c.kind || !strings.Contains(err.Error(), "x.edl") {
			t.Errorf("%s: %v, want %v and the file's name", name, err, c.kind)
		}
	}
}
