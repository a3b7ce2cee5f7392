package part

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"math/rand/v2"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// The example of Standard MIDI Files 1.0, appendix, as format 0 and as format
// 1 (from memory): 96 ticks a quarter, four notes on three channels.
const (
	example0 = "4D546864 00000006 0000 0001 0060  4D54726B 0000003B" +
		"00FF58040402180800FF510307A12000C00500C12E00C2460092306000 3C60 60914340 60904C20 8140823040 003C40 00814340 00804C40 00FF2F00"
	example1 = "4D546864 00000006 0001 0004 0060" +
		"4D54726B 00000014 00FF580404021808 00FF510307A120 8300FF2F00" +
		"4D54726B 00000010 00C005 8140904C20 81404C00 00FF2F00" +
		"4D54726B 0000000F 00C12E 60914340 82204300 00FF2F00" +
		"4D54726B 00000015 00C246 00923060 003C60 83003000 003C00 00FF2F00"
)

func fromHex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func read(b []byte, o ReadOptions) (Part, []string, error) {
	return ReadSMF(bytes.NewReader(b), "song.mid", o)
}

func TestSpecificationExamples(t *testing.T) {
	upper := []Note{{Start: q(2, 1), Length: q(2, 1), Key: 76}}
	middle := []Note{{Start: q(1, 1), Length: q(3, 1), Key: 67}}
	for _, c := range []struct {
		name, hex string
		first     int
	}{{"format 0", example0, 1}, {"format 1", example1, 2}} {
		b := fromHex(t, c.hex)
		tracks, err := Tracks(bytes.NewReader(b), "song.mid")
		if err != nil || len(tracks) != 3 || tracks[0].Number != c.first || tracks[2].Notes != 2 {
			t.Fatalf("%s: %v, %v", c.name, tracks, err)
		}
		for i, want := range [][]Note{upper, middle} {
			p, _, err := read(b, ReadOptions{Track: c.first + i})
			if err != nil || !reflect.DeepEqual(p.Notes, want) {
				t.Errorf("%s: track %d is %v, %v, want %v", c.name, c.first+i, p.Notes, err, want)
			}
		}
		_, _, err = read(b, ReadOptions{Track: c.first + 2})
		if fault.KindOf(err) != fault.Conflict || !strings.Contains(err.Error(), "bar 1 quarter 1") || !strings.Contains(err.Error(), "C3 and C4") {
			t.Errorf("%s: a chord gave %v", c.name, err)
		}
		for line, key := range map[Line]uint8{LineTop: 60, LineBottom: 48} {
			p, notes, err := read(b, ReadOptions{Track: c.first + 2, Line: line})
			if err != nil || len(p.Notes) != 1 || p.Notes[0] != (Note{Start: q(0, 1), Length: q(4, 1), Key: key}) || len(notes) != 1 {
				t.Errorf("%s: line %s is %v, %v, %v", c.name, line, p.Notes, notes, err)
			}
		}
		if _, _, err := read(b, ReadOptions{}); fault.KindOf(err) != fault.Usage || !strings.Contains(err.Error(), "track") {
			t.Errorf("%s: no choice among three gave %v", c.name, err)
		}
		if _, _, err := read(b, ReadOptions{Track: 9}); fault.KindOf(err) != fault.Missing {
			t.Errorf("%s: a track that is not there gave %v", c.name, err)
		}
	}
}

// file makes a format 1 file of one track at 96 ticks from hex events.
func file(t testing.TB, events string) []byte {
	body := append(fromHex(t, events), 0, 0xFF, 0x2F, 0)
	out := fromHex(t, "4D546864 00000006 0001 0001 0060 4D54726B")
	return append(binary.BigEndian.AppendUint32(out, uint32(len(body))), body...)
}

func TestOneLine(t *testing.T) {
	for _, c := range []struct {
		name, events string
		o            ReadOptions
		want         string
		said         string
	}{
		{"legato", "00903C50 60903E50 04803C00 5C803E00", ReadOptions{}, "0 1 C4, 1 1 D4", "1 note ran into the next"},
		{"held under", "00903C50 60903E50 60803E00 60803C00", ReadOptions{}, "0 1 C4, 1 1 D4", "1 note ran"},
		{"held under, top", "00903C50 60903E50 60803E00 60803C00", ReadOptions{Line: LineTop}, "0 1 C4, 1 1 D4", "1 note ran"},
		{"held over, top", "00904850 60903E50 60803E00 60804800", ReadOptions{Line: LineTop}, "0 3 C5", "off the top line"},
		{"held over, bottom", "00904850 60903E50 60803E00 60804800", ReadOptions{Line: LineBottom}, "0 1 C5, 1 1 D4", "ran into"},
		{"spread chord, top", "00903C50 02904050 60804000 00803C00", ReadOptions{Line: LineTop}, "0 49/48 E4", "off the top line"},
		{"short top of a chord", "00904850 00903C50 04804800 5C803C00", ReadOptions{Line: LineTop}, "0 1/24 C5", "off the top line"},
		{"grace note", "00903C50 03903E50 02803C00 60803E00", ReadOptions{}, "0 1/32 C4, 1/32 49/48 D4", "1 note ran"},
		{"restruck", "00903C50 60903C50 60803C00", ReadOptions{}, "0 1 C4, 1 1 C4", ""},
		{"zero length", "00903C50 00803C00 00903E50 60803E00", ReadOptions{}, "0 1 D4", "1 note without length was left out"},
		{"hanging", "00903C50 60FF0100", ReadOptions{}, "0 1 C4", "1 note never ended"},
		{"stray end", "00803C00 00903C50 60903C00", ReadOptions{}, "0 1 C4", "1 ending for notes that do not sound"},
		{"percussion", "00992650 60892600", ReadOptions{}, "0 1 x", ""},
		{"words", "00FF0502 6168 00903C50 60803C00 60FF0505 2F4C61204C", ReadOptions{}, "0 1 C4 ah", "1 syllable that no note begins with"},
		{"latin-1", "00FF0502 E974 00903C50 60803C00", ReadOptions{}, "0 1 C4 ét", ""},
		{"running status after sysex", "00F0027EF7 00903C50 60803C00", ReadOptions{}, "0 1 C4", ""},
	} {
		p, notes, err := read(file(t, c.events), c.o)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var got []string
		for _, n := range p.Notes {
			got = append(got, n.String())
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("%s: %s, want %s", c.name, s, c.want)
		}
		if said := strings.Join(notes, "\n"); !strings.Contains(said, c.said) || (said == "") != (c.said == "") {
			t.Errorf("%s: said %q, want %q", c.name, said, c.said)
		}
	}
	// three bars of 3/4, then the chord on the second quarter of bar 4
	_, _, err := read(file(t, "00FF580403021808 8740903C50 00904050 60803C00 00804000"), ReadOptions{})
	if err == nil || !strings.Contains(err.Error(), "bar 4 quarter 2") {
		t.Errorf("a chord after ten quarters gave %v", err)
	}
}

func TestBadFiles(t *testing.T) {
	good := fromHex(t, example1)
	patch := func(at int, b ...byte) []byte { c := slices.Clone(good); copy(c[at:], b); return c }
	for name, c := range map[string]struct {
		data  []byte
		kind  fault.Kind
		words string
	}{
		"empty":            {nil, fault.Malformed, "not a Standard MIDI File"},
		"text":             {[]byte("hello, I am no MIDI file"), fault.Malformed, "byte 0"},
		"riff":             {[]byte("RIFF\x20\x00\x00\x00RMIDdata"), fault.Unsupported, "RIFF"},
		"smpte":            {patch(12, 0xE7, 0x28), fault.Unsupported, "SMPTE"},
		"division 0":       {patch(12, 0, 0), fault.Malformed, "byte 12"},
		"format 3":         {patch(8, 0, 3), fault.Unsupported, "format 3"},
		"no tracks":        {patch(10, 0, 0), fault.Malformed, "byte 10"},
		"more tracks":      {patch(10, 0, 5), fault.Malformed, "4 of its 5"},
		"long header":      {patch(4, 0x7F, 0xFF, 0xFF, 0xFF), fault.Malformed, "byte 4"},
		"long track":       {patch(18, 0x20, 0, 0, 0), fault.Malformed, "byte 14"},
		"long meta":        {patch(24, 0x05, 0xFF, 0xFF, 0xFF, 0x7F), fault.Malformed, "byte 25"},
		"tempo of 4":       {patch(33, 4), fault.Malformed, "meta event 51"},
		"short":            {good[:60], fault.Malformed, "byte 42"},
		"cut header":       {good[:20], fault.Malformed, "byte 14"},
		"no end":           {patch(40, 0x01), fault.Malformed, "without its end-of-track"},
		"no status":        {file(t, "003C50"), fault.Malformed, "no status byte"},
		"status after end": {file(t, "00FF2F0000903C50"), fault.Malformed, "goes on"},
		"running, cleared": {file(t, "00903C50 00FF0100 60 3C00"), fault.Malformed, "no status byte"},
		"realtime":         {file(t, "00F8"), fault.Malformed, "F8"},
		"data byte":        {file(t, "00903CFF"), fault.Malformed, "data byte"},
		"long vlq":         {file(t, "FFFFFFFF7F903C50"), fault.Malformed, "four bytes"},
		"no notes":         {file(t, "00C005"), fault.Missing, "no notes"},
		"endless":          {file(t, strings.Repeat("FFFFFF7FC005", 50)), fault.OverLimit, "longer than"},
		"large":            {append(slices.Clone(good), make([]byte, maxSMFBytes)...), fault.OverLimit, "8 MiB"},
	} {
		_, _, err := read(c.data, ReadOptions{Track: 2})
		if err == nil || fault.KindOf(err) != c.kind || !strings.Contains(err.Error(), c.words) || !strings.Contains(err.Error(), "song.mid") {
			t.Errorf("%s: %v, want %v with %q", name, err, c.kind, c.words)
		}
	}
	// format 2: tracks that stand alone are read alike
	if p, _, err := read(patch(9, 2), ReadOptions{Track: 3}); err != nil || len(p.Notes) != 1 || p.Notes[0].Key != 67 {
		t.Errorf("format 2: %v, %v", p, err)
	}
	// chunks of other kinds are passed over, and more tracks than said are read
	alien := append(slices.Clone(good[:14]), append([]byte("XFIH\x00\x00\x00\x02ab"), good[14:]...)...)
	alien[11] = 3
	p, notes, err := read(alien, ReadOptions{Track: 2})
	if err != nil || len(p.Notes) != 1 || len(notes) != 1 {
		t.Errorf("an alien chunk: %v, %v, %v", p, notes, err)
	}
}

// By hand: division 960, one note of a quarter with a word.
func TestWrittenBytes(t *testing.T) {
	var b bytes.Buffer
	p := Part{Name: "alto", Notes: []Note{{Length: q(1, 1), Key: 69, Lyric: "ah"}}}
	c := Conductor{Tempos: []Tempo{{MicrosPerQuarter: 500000}}, Metres: []Metre{{Num: 6, Den: 8}}, Markers: []Marker{{At: q(1, 2), Text: "x"}}}
	if err := WriteSMF(&b, []Part{p}, c); err != nil {
		t.Fatal(err)
	}
	want := fromHex(t, "4D546864 00000006 0001 0002 03C0"+
		"4D54726B 00000019 00FF580406031808 00FF510307A120 8360FF060178 00FF2F00"+
		"4D54726B 0000001B 00FF0304616C746F 00FF05026168 00904550 8740804500 00FF2F00")
	if !bytes.Equal(b.Bytes(), want) {
		t.Errorf("wrote\n%X, want\n%X", b.Bytes(), want)
	}
}

func TestWriteReadRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var parts []Part
		for i := range rapid.IntRange(1, 17).Draw(t, "parts") {
			p := Part{Name: rapid.SampledFrom([]string{"", "alto", "été"}).Draw(t, "name")}
			at := timecode.Ratio{}
			for range rapid.IntRange(1, 8).Draw(t, "notes") {
				n := randomNote(t, at.Add(q(rapid.Int64Range(0, 6).Draw(t, "rest"), 4)))
				p.Notes = append(p.Notes, n)
				at = n.End()
			}
			parts = append(parts, p)
			_ = i
		}
		var b bytes.Buffer
		if err := WriteSMF(&b, parts, Conductor{}); err != nil {
			t.Fatal(err)
		}
		exact := division(parts, Conductor{}) != fineDivision
		for i, want := range parts {
			got, notes, err := read(b.Bytes(), ReadOptions{Track: i + 2})
			if err != nil || len(notes) != 0 {
				t.Fatalf("part %d: %v, %v", i, notes, err)
			}
			if exact && !reflect.DeepEqual(got, want) {
				t.Fatalf("part %d is\n%v, want\n%v", i, got, want)
			}
			for k, n := range got.Notes {
				if d := n.Start.Sub(want.Notes[k].Start).Float(); d > 1.0/50000 || d < -1.0/50000 {
					t.Fatalf("part %d note %d at %s, want %s", i, k, n.Start, want.Notes[k].Start)
				}
			}
		}
	})
}

func TestWriteRefuses(t *testing.T) {
	one := []Note{{Length: q(1, 1), Key: 60}}
	for name, c := range map[string]struct {
		p Part
		c Conductor
	}{
		"before bar 1":    {p: Part{Notes: []Note{{Start: q(-1, 1), Length: q(1, 1)}}}},
		"bad part":        {p: Part{Notes: []Note{{}}}},
		"too short":       {p: Part{Notes: []Note{{Start: q(3, 32749), Length: q(1, 32749), Key: 1}, {Start: q(1, 1), Length: q(1, 7)}}}},
		"metre":           {Part{Notes: one}, Conductor{Metres: []Metre{{Num: 4, Den: 5}}}},
		"tempo 0":         {Part{Notes: one}, Conductor{Tempos: []Tempo{{}}}},
		"tempo slow":      {Part{Notes: one}, Conductor{Tempos: []Tempo{{MicrosPerQuarter: 1 << 24}}}},
		"marker":          {Part{Notes: one}, Conductor{Markers: []Marker{{Text: "a\nb"}}}},
		"marker position": {Part{Notes: one}, Conductor{Markers: []Marker{{At: timecode.Int(1 << 40)}}}},
	} {
		var b bytes.Buffer
		if err := WriteSMF(&b, []Part{c.p}, c.c); err == nil || b.Len() > 0 {
			t.Errorf("%s: accepted, %d bytes written", name, b.Len())
		}
	}
}

func seeds(t testing.TB) [][]byte {
	var written bytes.Buffer
	p := Part{Name: "alto", Notes: []Note{{Length: q(1, 3), Key: 69, Lyric: "ah"}, {Start: q(1, 1), Length: q(1, 2), Unpitched: true}}}
	if err := WriteSMF(&written, []Part{p, p}, Conductor{Tempos: []Tempo{{MicrosPerQuarter: 500000}}, Markers: []Marker{{Text: "cut"}}}); err != nil {
		t.Fatal(err)
	}
	return [][]byte{fromHex(t, example0), fromHex(t, example1), written.Bytes(), file(t, "00F0027EF7 00903C50 60803C00"),
		file(t, "00FF0502 6168 00903C50 60803C00 60FF0505 2F4C61204C")}
}

// Files with bytes changed, cut and doubled: an error or a valid part, and
// never memory beyond the file's measure.
func TestMutatedFiles(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	all := seeds(t)
	refused := 0
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	const n = 10000
	for range n {
		b := slices.Clone(all[r.IntN(len(all))])
		for range 1 + r.IntN(4) {
			switch at := r.IntN(len(b)); r.IntN(4) {
			case 0:
				b = append(b[:at:at], b[min(len(b), at+1+r.IntN(4)):]...)
			case 1:
				b[at] = []byte{0, 0xFF, 0x7F, 0x80}[r.IntN(4)]
			default:
				b[at] = byte(r.Uint32())
			}
			if len(b) == 0 {
				b = []byte{0}
			}
		}
		if !soundOrRefused(t, b) {
			refused++
		}
	}
	runtime.ReadMemStats(&after)
	if per := (after.TotalAlloc - before.TotalAlloc) / n; per > 64<<10 {
		t.Errorf("%d bytes a file, for files of some 100", per)
	}
	if refused < n/10 || refused > n*19/20 {
		t.Errorf("%d of %d files refused: the mutations say little", refused, n)
	}
}

// soundOrRefused reads every track of a file each way; it reports whether any
// could be read.
func soundOrRefused(t *testing.T, b []byte) bool {
	tracks, err := Tracks(bytes.NewReader(b), "song.mid")
	if err != nil {
		if fault.KindOf(err) == fault.Unexpected {
			t.Fatalf("an error without a kind: %v\n%X", err, b)
		}
		return false
	}
	any := false
	for _, tr := range tracks {
		for _, line := range []Line{LineNone, LineTop, LineBottom} {
			p, _, err := read(b, ReadOptions{Track: tr.Number, Line: line})
			if err != nil {
				if k := fault.KindOf(err); k == fault.Unexpected || line != LineNone && k == fault.Conflict {
					t.Fatalf("line %q: %v\n%X", line, err, b)
				}
				continue
			}
			any = true
			if err := p.Validate(); err != nil {
				t.Fatalf("line %q: a part that is none: %v\n%X", line, err, b)
			}
		}
	}
	return any
}

func FuzzSMF(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) { soundOrRefused(t, b) })
}

func BenchmarkReadSMF(b *testing.B) {
	p := Part{Name: "long"}
	for i := range int64(5000) {
		p.Notes = append(p.Notes, Note{Start: q(i, 2), Length: q(1, 2), Key: uint8(48 + i%24), Lyric: "la"})
	}
	var out bytes.Buffer
	if err := WriteSMF(&out, []Part{p}, Conductor{}); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(out.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := read(out.Bytes(), ReadOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
