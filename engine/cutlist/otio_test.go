package cutlist

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"sort"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

func placesOf(problems []Problem) (places []string) {
	for _, p := range problems {
		places = append(places, p.Place)
	}
	return places
}

func checkOTIO(t *testing.T, got List, problems []Problem, want []Cut, places []string) {
	t.Helper()
	if !reflect.DeepEqual(got.Cuts, want) {
		t.Errorf("cuts\n%+v, want\n%+v", got.Cuts, want)
	}
	if !reflect.DeepEqual(placesOf(problems), places) {
		t.Errorf("told at %q, want %q: %v", placesOf(problems), places, problems)
	}
}

// The cuts of each sample were worked out by hand from its durations: the sum
// of those before a clip is where it begins, a transition at t mixes from
// t - in_offset to t + out_offset.
func TestOTIOSamples(t *testing.T) {
	at24 := axis(timecode.Rate24, "00:00:00:00", 4000)
	cases := []struct {
		file, title string
		axis        Axis
		want        []Cut
		places      []string
	}{
		{"simple_cut.otio", "Figure 1 - Simple Cut List", at24, // 3, 6, 4 and 6 frames
			[]Cut{hard(3, "Clip-002"), hard(9, "Clip-003"), hard(13, "Clip-004")}, nil},
		{"transition.otio", "Figure 2 - Transitions", at24, // 9 - 2 to 9 + 3
			[]Cut{hard(3, "Clip-002"), soft(Dissolve, 7, 12, "Clip-003"), hard(13, "Clip-004")}, nil},
		{"clip_example.otio", "transition_test", at24, // black 8, a shot of 3, black: 11 - 2 to 11 + 1
			[]Cut{hard(8, "Clip-001"), soft(FadeOut, 9, 12, "")}, nil},
		{"multitrack.otio", "OTIO TEST - multitrack.Exported.01", at24, // 720, black 83, 722, black 432, 720, black
			[]Cut{hard(720, ""), hard(803, "out-b (loop)-HD.mp4"), hard(1525, ""), hard(1957, "brokchrd (loop)-HD.mp4"), hard(2677, "")},
			[]string{"$.tracks.children[1]", "$.tracks.children[2]"}},
		{"simple_cut.otio", "Figure 1 - Simple Cut List", axis(timecode.Rate48, "01:00:00:00", 4000), // twice as many
			[]Cut{hard(6, "Clip-002"), hard(18, "Clip-003"), hard(26, "Clip-004")}, nil},
		{"simple_cut.otio", "Figure 1 - Simple Cut List", axis(timecode.Rate25, "00:00:00:00", 4000), // 3.125, 9.375, 13.5417
			[]Cut{hard(3, "Clip-002"), hard(9, "Clip-003"), hard(14, "Clip-004")},
			[]string{"$.tracks.children[0].children[1]", "$.tracks.children[0].children[2]", "$.tracks.children[0].children[3]"}},
	}
	for _, c := range cases {
		t.Run(c.file+" at "+c.axis.Rate.String(), func(t *testing.T) {
			l, p := read(t, FormatOTIO, sample(t, c.file), c.axis)
			checkOTIO(t, l, p, c.want, c.places)
			if l.Title != c.title {
				t.Errorf("title %q, want %q", l.Title, c.title)
			}
		})
	}
}

// A small language for timelines: times in frames of 24 a second.
func rt(n any) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"RationalTime.1","rate":24,"value":%v}`, n)
}
func tr(start, length any) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"TimeRange.1","start_time":%s,"duration":%s}`, rt(start), rt(length))
}
func item(schema, name string, start, length any, more ...string) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":%q,"name":%q,"source_range":%s%s}`, schema, name, tr(start, length), extra(more))
}
func extra(more []string) string {
	if len(more) == 0 {
		return ""
	}
	return "," + strings.Join(more, ",")
}
func clipOf(name string, length any, more ...string) string {
	return item("Clip.1", name, 100, length, more...)
}
func gapOf(length any) string { return item("Gap.1", "filler", 0, length) }
func mixOf(in, out any, kind string) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"Transition.1","name":"","in_offset":%s,"out_offset":%s,"transition_type":%q}`, rt(in), rt(out), kind)
}
func trackOf(kind, more string, items ...string) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"Track.1","kind":%q%s,"children":[%s]}`, kind, more, strings.Join(items, ","))
}
func stackOf(more string, items ...string) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"Stack.1"%s,"children":[%s]}`, more, strings.Join(items, ","))
}
func timelineOf(more string, items ...string) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"Timeline.1","name":"t"%s,"tracks":%s}`, more, stackOf("", trackOf("Video", "", items...)))
}
func markerOf(name string, at any) string {
	return fmt.Sprintf(`{"OTIO_SCHEMA":"Marker.2","name":%q,"marked_range":%s}`, name, tr(at, 0))
}

func TestOTIOForms(t *testing.T) {
	const dissolve, track = "SMPTE_Dissolve", "$.tracks.children[0]"
	at24 := axis(timecode.Rate24, "01:00:00:00", 240)
	inner := trackOf("Video", "", clipOf("a", 10), clipOf("b", 10), mixOf(2, 2, dissolve), clipOf("c", 10))
	innerTrimmed := trackOf("Video", `,"source_range":`+tr(5, 20), clipOf("a", 10), clipOf("b", 10), mixOf(2, 2, dissolve), clipOf("c", 10))
	cases := []struct {
		name, text string
		axis       Axis
		want       []Cut
		places     []string
	}{
		{"a transition at either end of a track is a fade", timelineOf("", mixOf(0, 12, dissolve), clipOf("a", 48), mixOf(6, 0, dissolve)), at24,
			[]Cut{soft(FadeIn, 0, 12, "a"), soft(FadeOut, 42, 48, "")}, nil},
		{"through black by a gap without length", timelineOf("", clipOf("a", 48), mixOf(6, 0, dissolve), gapOf(0), mixOf(0, 12, dissolve), clipOf("b", 48)), at24,
			[]Cut{soft(FadeOut, 42, 48, ""), soft(FadeIn, 48, 60, "b")}, nil},
		{"a wipe", timelineOf("", clipOf("a", 48), mixOf(1, 3, "SMPTE_BarWipe"), clipOf("b", 48)), at24, []Cut{soft(Wipe, 47, 51, "b")}, nil},
		{"gaps side by side, a disabled clip, a generator of black", timelineOf("", clipOf("a", 10), gapOf(5), gapOf(5), clipOf("b", 10),
			clipOf("off", 10, `"enabled":false`), clipOf("c", 10), clipOf("night", 10, `"media_reference":{"OTIO_SCHEMA":"GeneratorReference.1","generator_kind":"black"}`)), at24,
			[]Cut{hard(10, ""), hard(20, "b"), hard(30, ""), hard(40, "c"), hard(50, "")}, nil},
		{"a nested track", timelineOf("", clipOf("x", 10), inner, clipOf("y", 10)), at24,
			[]Cut{hard(10, "a"), hard(20, "b"), soft(Dissolve, 28, 32, "c"), hard(40, "y")}, nil},
		{"a nested track, trimmed: 5 of a, b, 5 of c", timelineOf("", clipOf("x", 10), innerTrimmed, clipOf("y", 10)), at24,
			[]Cut{hard(10, "a"), hard(15, "b"), soft(Dissolve, 23, 27, "c"), hard(30, "y")}, nil},
		{"a trim longer than its track shows black", timelineOf("", clipOf("x", 10), trackOf("Video", `,"source_range":`+tr(-4, 20), clipOf("a", 10)), clipOf("y", 10)), at24,
			[]Cut{hard(10, ""), hard(14, "a"), hard(24, ""), hard(30, "y")}, nil},
		{"a nested stack is as long as its longest child", timelineOf("", stackOf("", trackOf("Audio", "", clipOf("hum", 30)), trackOf("Video", "", clipOf("a", 10), clipOf("b", 10)),
			trackOf("Video", "", gapOf(40))), clipOf("y", 10)), at24, []Cut{hard(10, "b"), hard(20, ""), hard(40, "y")}, nil},
		{"a stack of clips", timelineOf("", stackOf("", clipOf("a", 10), clipOf("title", 5)), clipOf("y", 10)), at24,
			[]Cut{hard(10, "y")}, []string{track + ".children[0].children[1]"}},
		{"the media says how long, of the active one of several", timelineOf("", clipOf("a", 10),
			fmt.Sprintf(`{"OTIO_SCHEMA":"Clip.2","name":"b","source_range":null,"active_media_reference_key":"low","media_references":{"DEFAULT_MEDIA":{"available_range":%s},"low":{"available_range":%s}}}`, tr(0, 99), tr(7, 20)), clipOf("c", 10)), at24,
			[]Cut{hard(10, "b"), hard(30, "c")}, nil},
		{"old names", `{"OTIO_SCHEMA":"SerializableCollection.1","children":[{"OTIO_SCHEMA":"Stack.1","children":[{"OTIO_SCHEMA":"Sequence.1","kind":"Video","children":[` +
			clipOf("a", 10) + `,{"OTIO_SCHEMA":"Filler.1","source_range":` + tr(0, 5) + `},` + clipOf("b", 10) + `]}]}]}`, at24, []Cut{hard(10, ""), hard(15, "b")}, nil},
		{"a start on the reference's clock", timelineOf(`,"global_start_time":`+rt(86400-24), clipOf("leader", 24), clipOf("a", 10), clipOf("b", 10)), at24,
			[]Cut{hard(10, "b")}, nil},
		// 01:00:00:12 at 24 is half a second into the hour: frame 15 of a 30-frame clock that starts at the hour; drop-frame has no such doubt at an hour
		{"a start on another clock, by its label", timelineOf(`,"global_start_time":`+rt(86412), clipOf("a", 24), clipOf("b", 24)), axis(timecode.Rate30, "01:00:00:00", 300),
			[]Cut{hard(45, "b")}, nil},
		{"decimal rates are the ratios they stand for", strings.ReplaceAll(timelineOf("", clipOf("a", 86400), clipOf("b", 10)), `"rate":24`, `"rate":23.976`),
			axis(timecode.Rate23976, "01:00:00:00", 90000), []Cut{hard(86400, "b")}, nil},
		// 29.97 is 30000/1001: 30000 frames are 1001 seconds, 24000 frames of 24000/1001
		{"decimal rates of another clock", strings.ReplaceAll(timelineOf("", clipOf("a", 30000), clipOf("b", 10)), `"rate":24`, `"rate":29.97`),
			axis(timecode.Rate23976, "01:00:00:00", 90000), []Cut{hard(24000, "b")}, nil},
		{"what cannot be read is told, and the rest is read", timelineOf("", clipOf("a", 10), mixOf(-1, 2, dissolve), clipOf("b", 10), mixOf(1, 1, dissolve), mixOf(1, 1, dissolve), clipOf("c", 10),
			`{"OTIO_SCHEMA":"Transition.1","in_offset":3}`, clipOf("d", 10), item("Oddity.1", "e", 0, 10), `7`, clipOf("lost", 10)), at24,
			[]Cut{hard(10, "b"), soft(Dissolve, 19, 21, "c"), hard(30, "d"), hard(40, "e")},
			[]string{track + ".children[1]", track + ".children[4]", track + ".children[6]", track + ".children[8]", track + ".children[9]"}},
		{"after a nested track that is torn nothing has a place", timelineOf("", clipOf("x", 10), trackOf("Video", "", clipOf("a", 10), "7"), clipOf("y", 10)), at24,
			[]Cut{hard(10, "a")}, []string{track + ".children[1].children[1]", track + ".children[1]"}},
		{"but a trim says how long it is", timelineOf("", clipOf("x", 10), trackOf("Video", `,"source_range":`+tr(0, 20), clipOf("a", 10), "7"), clipOf("y", 10)), at24,
			[]Cut{hard(10, "a"), hard(20, ""), hard(30, "y")}, []string{track + ".children[1].children[1]"}},
		{"a nested stack whose sound is torn has no known length", timelineOf("", clipOf("x", 10), stackOf("", trackOf("Video", "", clipOf("a", 10)), trackOf("Audio", "", clipOf("hum", 5), "7")), clipOf("y", 10)), at24,
			[]Cut{hard(10, "a")}, []string{track + ".children[1]"}},
		{"a fade-out at the end of a trimmed track", timelineOf("", clipOf("x", 10), trackOf("Video", `,"source_range":`+tr(0, 20), clipOf("a", 20), mixOf(6, 0, dissolve)), clipOf("y", 10)), at24,
			[]Cut{hard(10, "a"), soft(FadeOut, 24, 30, ""), hard(30, "y")}, nil},
		{"a mix at a trimmed edge", timelineOf("", clipOf("x", 10), trackOf("Video", `,"source_range":`+tr(20, 10), clipOf("a", 20), mixOf(2, 2, dissolve), clipOf("b", 20))), at24,
			[]Cut{hard(10, "b")}, []string{track + ".children[1].children[1]"}},
		{"metadata that is off is told", timelineOf("", clipOf("a", 10), clipOf("b", 10, `"metadata":{"cuechoir":{"kind":"jump"}}`), clipOf("c", 10, `"metadata":{"cuechoir":{"frames":-1}}`),
			clipOf("d", 10, `"metadata":{"cuechoir":{"confidence":"2"}}`)), at24, []Cut{hard(10, "b"), hard(20, "c"), hard(30, "d")},
			[]string{track + ".children[1].metadata.cuechoir.kind", track + ".children[2].metadata.cuechoir.frames", track + ".children[3].metadata.cuechoir.confidence"}},
		{"beyond the reference", timelineOf("", clipOf("a", 230), mixOf(0, 20, dissolve), clipOf("b", 20), clipOf("c", 5)), at24,
			[]Cut{soft(Dissolve, 230, 240, "b")}, []string{track + ".children[1]", track + ".children[3]"}},
		{"wholly on another clock", timelineOf(`,"global_start_time":`+rt(24), clipOf("a", 10), clipOf("b", 10)), at24, nil, []string{"$"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l, p := read(t, FormatOTIO, c.text, c.axis)
			checkOTIO(t, l, p, c.want, c.places)
		})
	}
}

// Markers lie in the time of what they are on: a clip's in its source's time,
// a track's and a stack's in their own.
func TestOTIOMarkers(t *testing.T) {
	text := fmt.Sprintf(`{"OTIO_SCHEMA":"Timeline.1","tracks":%s}`, stackOf(`,"markers":[`+markerOf("stack", 3)+`,{"OTIO_SCHEMA":"Marker.2"}]`,
		trackOf("Video", `,"markers":[`+markerOf("track", 21)+`,`+markerOf("late", 999)+`]`, clipOf("a", 10), clipOf("b", 10, `"markers":[`+markerOf("clip", 104)+`,`+markerOf("hidden", 99)+`]`),
			trackOf("Video", `,"source_range":`+tr(5, 20)+`,"markers":[`+markerOf("nested", 7)+`,`+markerOf("cut off", 4)+`]`, clipOf("c", 40)))))
	l, p := read(t, FormatOTIO, text, axis(timecode.Rate24, "00:00:00:00", 100))
	want := []Marker{{3, "stack"}, {14, "clip"}, {21, "track"}, {22, "nested"}}
	if !reflect.DeepEqual(l.Markers, want) {
		t.Errorf("%+v, want %+v", l.Markers, want)
	}
	places := placesOf(p)
	sort.Strings(places)
	const c = "$.tracks.children[0]"
	if w := []string{c + ".children[1].markers[1]", c + ".children[2].markers[1]", c + ".markers[1]", "$.tracks.markers[1]"}; !reflect.DeepEqual(places, w) {
		t.Errorf("told at %q, want %q", places, w)
	}
}

func TestOTIORefuses(t *testing.T) {
	deep := strings.Repeat("[", maxJSONDepth+2)
	nested := clipOf("a", 10)
	for range maxNesting + 2 {
		nested = trackOf("Video", "", nested)
	}
	for name, c := range map[string]struct {
		text  string
		kind  fault.Kind
		words string
	}{
		"not JSON":       {"{\n\"OTIO_SCHEMA\":\nx}", fault.Malformed, "line 3"},
		"cut off":        {`{"OTIO_SCHEMA":"Timeline.1"`, fault.Malformed, "line 1"},
		"two":            {"{} {}", fault.Malformed, "after the end"},
		"no object":      {"[1]", fault.Malformed, "not an OpenTimelineIO object"},
		"another object": {`{"OTIO_SCHEMA":"Clip.1"}`, fault.Malformed, "Clip.1"},
		"no tracks":      {`{"OTIO_SCHEMA":"Timeline.1","tracks":null}`, fault.Malformed, "no stack"},
		"no timeline":    {`{"OTIO_SCHEMA":"SerializableCollection.1","children":[3]}`, fault.Malformed, "no timeline"},
		"binary":         {"{\x00}", fault.Malformed, "text"},
		"not UTF-8":      {"{\"a\":\"\xff\"}", fault.Malformed, "UTF-8"},
		"large":          {strings.Repeat(" ", MaxListBytes+1), fault.OverLimit, "MiB"},
		"deep":           {deep, fault.OverLimit, "deeper"},
		"many values":    {"[" + strings.Repeat("0,", maxJSONValues) + "0]", fault.OverLimit, "values"},
		"bad start":      {`{"OTIO_SCHEMA":"Timeline.1","tracks":` + stackOf("") + `,"global_start_time":{}}`, fault.Malformed, "RationalTime"},
		"late start":     {`{"OTIO_SCHEMA":"Timeline.1","tracks":` + stackOf("") + `,"global_start_time":` + strings.Replace(rt(26*3600*25), "24", "25", 1) + `}`, fault.Malformed, "beyond a day"},
	} {
		_, _, err := Read(strings.NewReader(c.text), "x.otio", FormatOTIO, axis(timecode.Rate24, "00:00:00:00", 100))
		if fault.KindOf(err) != c.kind || err == nil || !strings.Contains(err.Error(), "x.otio") || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v, want %v with %q", name, err, c.kind, c.words)
		}
	}
	l, p := read(t, FormatOTIO, timelineOf("", clipOf("a", 10), nested, clipOf("b", 10)), axis(timecode.Rate24, "00:00:00:00", 100))
	if len(l.Cuts) != 0 || len(p) == 0 || !strings.Contains(p[0].What, "nested deeper") || p[len(p)-1].Place != "$.tracks.children[0].children[1]" {
		t.Errorf("nested too deep: %+v %v", l, p)
	}
}

// Numbers that are no times are told with their path, in bounded time.
func TestOTIONumbers(t *testing.T) {
	for _, n := range []string{"1e999999999", "1e-999999999", "1e300", "1e-31", "-1", "0." + strings.Repeat("3", 100), `"12"`, "null", "9e11"} {
		l, p := read(t, FormatOTIO, timelineOf("", clipOf("a", 10), clipOf("b", n), clipOf("c", 10)), axis(timecode.Rate24, "00:00:00:00", 100))
		if len(l.Cuts) != 0 || len(p) != 1 || !strings.HasPrefix(p[0].Place, "$.tracks.children[0].children[1]") {
			t.Errorf("%.20s: %+v %v", n, l.Cuts, p)
		}
	}
	for _, rate := range []string{"0", "-24", "1e-9", "1e9", "true"} {
		text := strings.ReplaceAll(timelineOf("", clipOf("a", 10), clipOf("b", 10)), `"rate":24`, `"rate":`+rate)
		if l, p := read(t, FormatOTIO, text, axis(timecode.Rate24, "00:00:00:00", 100)); len(l.Cuts) != 0 || len(p) == 0 {
			t.Errorf("rate %s: %+v %v", rate, l.Cuts, p)
		}
	}
	// rates without a common measure would make sums of thousands of digits
	var items []string
	for i := range 5000 {
		items = append(items, strings.ReplaceAll(clipOf("x", 1), `"rate":24`, fmt.Sprintf(`"rate":%d.%07d1`, 20+i%50, i*7919)))
	}
	if _, p := read(t, FormatOTIO, timelineOf("", items...), axis(timecode.Rate24, "00:00:00:00", 100000)); !strings.Contains(p[0].What+p[len(p)-1].What, "unlike rates") {
		t.Errorf("unlike rates: %v and %d more", p[0], len(p)-1)
	}
}

// Every object that is written has the schema version that the samples of the
// OpenTimelineIO project have, and at least the fields that all of theirs have.
func TestOTIOWritesTheSamplesSchemas(t *testing.T) {
	fields := map[string]map[string]bool{} // of the samples: those in each object of a schema
	gather(t, sampleTrees(t), func(schema string, m map[string]any) {
		if fields[schema] == nil {
			fields[schema] = map[string]bool{}
			for k := range m {
				fields[schema][k] = true
			}
		}
		for k := range fields[schema] {
			if _, has := m[k]; !has {
				delete(fields[schema], k)
			}
		}
	})
	fields["Marker.2"] = map[string]bool{"metadata": true, "name": true, "color": true, "marked_range": true} // «Serialized Data (Fields Only)»
	delete(fields["MissingReference.1"], "available_image_bounds")                                            // newer than the other samples; absent is null
	a := axis(timecode.Rate23976, "01:00:00:00", 1000)
	l := List{Markers: []Marker{{5, "m"}}, Cuts: []Cut{hard(5, "a"), soft(FadeOut, 20, 30, ""), soft(FadeIn, 40, 50, "b"), soft(Wipe, 60, 70, "c"), soft(FadeIn, 80, 90, "d")}}
	var b strings.Builder
	if err := Write(&b, FormatOTIO, l, a); err != nil {
		t.Fatal(err)
	}
	var tree any
	if err := json.Unmarshal([]byte(b.String()), &tree); err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	gather(t, []any{tree}, func(schema string, m map[string]any) {
		seen[schema] = true
		if fields[schema] == nil {
			t.Errorf("%s is in no sample", schema)
		}
		for k := range fields[schema] {
			if _, has := m[k]; !has {
				t.Errorf("%s has no %q", schema, k)
			}
		}
	})
	if len(seen) != 10 {
		t.Errorf("%d schemas were written, want 10: %v", len(seen), seen)
	}
}

func sampleTrees(t *testing.T) (trees []any) {
	names, _ := filepath.Glob(filepath.Join("testdata", "others", "*.otio"))
	for _, n := range names {
		b, err := os.ReadFile(n)
		var tree any
		if err == nil {
			err = json.Unmarshal(b, &tree)
		}
		if err != nil {
			t.Fatal(err)
		}
		trees = append(trees, tree)
	}
	if len(trees) != 4 {
		t.Fatalf("%d samples, want 4", len(trees))
	}
	return trees
}

func gather(t *testing.T, trees []any, see func(schema string, m map[string]any)) {
	for _, v := range trees {
		switch v := v.(type) {
		case []any:
			gather(t, v, see)
		case map[string]any:
			if s, ok := v["OTIO_SCHEMA"].(string); ok {
				see(s, v)
			}
			for _, x := range v {
				gather(t, []any{x}, see)
			}
		}
	}
}
