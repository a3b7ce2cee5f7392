package cutlist

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
)

// fuzzForm feeds a reader: it must not fail by panic, its cuts and markers
// must be valid and in order, and what was read, written and read again must
// be the same, with nothing told.
func fuzzForm(f *testing.F, form Format) {
	axes := []Axis{axis(timecode.Rate23976, "01:00:00:00", 100_000), axis(timecode.Rate2997DF, "00:00:00;00", 3000), axis(timecode.Rate25, "23:59:50:00", 1500)}
	f.Fuzz(func(t *testing.T, text string, which uint8) {
		a := axes[int(which)%len(axes)]
		l, problems, err := Read(strings.NewReader(text), "list", form, a)
		if err != nil {
			return
		}
		if err := l.check(a); err != nil {
			t.Fatalf("%q gives a list that cannot be: %v: %+v", text, err, l)
		}
		for _, p := range problems {
			if p.What == "" || p.Line <= 0 && p.Place == "" {
				t.Fatalf("%q: a problem without a place or words: %+v", text, p)
			}
		}
		if form == FormatShots {
			for i := range l.Cuts {
				l.Cuts[i].Name, l.Cuts[i].Confidence, l.Cuts[i].Hand = "", 1, false
				if l.Cuts[i].Kind == HardCut {
					l.Cuts[i].End = l.Cuts[i].Frame
				}
			}
			l.Markers = nil
		}
		if form != FormatEDL && form != FormatOTIO {
			l.Title = ""
		}
		roundTrip(t, form, l, a)
	})
}

// addSamples seeds with the files of others, and fails when they are gone.
func addSamples(f *testing.F, ext string) {
	names, err := filepath.Glob(filepath.Join("testdata", "others", "*"+ext))
	if err != nil || len(names) < 4 {
		f.Fatalf("%d samples %s, want 4 (%v)", len(names), ext, err)
	}
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(b), uint8(0))
	}
}

// addOurs seeds with what Write makes of a list that has one of everything.
func addOurs(f *testing.F, form Format) {
	a := axis(timecode.Rate23976, "01:00:00:00", 100_000)
	l := List{Title: "One of everything", Markers: []Marker{{3, "a"}, {90, " b"}}}
	for i, k := range Kinds {
		at := int64(1 + 30*i)
		c := Cut{Frame: at, End: at, Kind: k, Confidence: 0.5, Name: string(k), Hand: i%2 == 0}
		if k != HardCut {
			c.End += int64(12 * i)
		}
		l.Cuts = append(l.Cuts, c)
	}
	var b bytes.Buffer
	if err := Write(&b, form, l, a); err != nil {
		f.Fatal(err)
	}
	f.Add(b.String(), uint8(0))
}

func FuzzCSV(f *testing.F) {
	for _, s := range []string{"10\n20\n", "frame,kind,end,name\n1,dissolve,9,\"a, b\"\n", "timecode\n00:00:01;12\n", "seconds\n1.5\n", "\"", "a;b\tc,d",
		"1e999999999\n", "# x\n\n;;\n", "frame,kind,name,confidence,hand\n4,marker,\"\"\" x\"\"\"\n5,wipe,,1e-3,yes\n"} {
		f.Add(s, uint8(0))
	}
	addOurs(f, FormatCSV)
	fuzzForm(f, FormatCSV)
}

func FuzzShots(f *testing.F) {
	for _, s := range []string{"kind,first,last\ncut,10,10\ndissolve,20,31\n", "cut\t5\t5\nfade-in\t9\t8\n", "cut,1,2\n", "first,last\n1,1\n"} {
		f.Add(s, uint8(1))
	}
	addOurs(f, FormatShots)
	fuzzForm(f, FormatShots)
}

func FuzzEDL(f *testing.F) {
	addSamples(f, ".edl")
	addOurs(f, FormatEDL)
	for _, s := range []string{
		"FCM: DROP FRAME\n001 T1 V C 00:00:00;00 00:00:01;00 00:00:00;00 00:00:01;00\n* LOC: 00:00:00;05 RED x\nM2 T1 0.0 00:00:00:00\n",
		"1 A B K B 0:0:0:0 0:0:0:0 23:59:50:00 00:00:00:00\n1 BL V D 999999 0:0:0:0 0:0:0:0 00:00:00:00 00:00:01:00\n* CUECHOIR: frames=9 hand\n",
	} {
		f.Add(s, uint8(1))
		f.Add(s, uint8(2))
	}
	fuzzForm(f, FormatEDL)
}

func FuzzOTIO(f *testing.F) {
	addSamples(f, ".otio")
	addOurs(f, FormatOTIO)
	for _, s := range []string{
		timelineOf("", clipOf("a", 10), mixOf(2, 2, "SMPTE_Wipe"), trackOf("Video", `,"source_range":`+tr(-1, 9), gapOf(0), clipOf("b", 7.5))),
		timelineOf(`,"global_start_time":`+rt(86400), stackOf("", clipOf("a", 10), clipOf("b", "1e1")), mixOf(3, 0, ""), gapOf(0), mixOf(0, 3, ""), clipOf("c", 30)),
		`{"OTIO_SCHEMA":"SerializableCollection.1","children":[` + stackOf(`,"markers":[`+markerOf("m", 2)+`]`, clipOf("a", 10)) + `]}`,
	} {
		f.Add(s, uint8(0))
		f.Add(s, uint8(2))
	}
	fuzzForm(f, FormatOTIO)
}
