package score

import (
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
)

// Glides, holds, silent bars and pinned beats come back as they were; a map
// without them has no word of them, as in the first documents.
func TestMapRoundTrip(t *testing.T) {
	s := sample()
	plain, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"end_frames_per_quarter", "hold_frames", "silent", "pins"} {
		if strings.Contains(string(plain), key) {
			t.Errorf("a plain map is written with %s:\n%s", key, plain)
		}
	}
	four := tempo.Metre{Num: 4, Den: 4}
	s.Map = &tempo.Map{Style: tempo.Gliding, Start: timecode.Int(0), Sections: []tempo.Section{
		{Bars: 1, Metre: four, FramesPerQuarter: timecode.Int(24), EndFramesPerQuarter: timecode.Int(8), Extra: timecode.Int(0), Hold: timecode.R(21, 2)},
		{Bars: 2, Metre: four, FramesPerQuarter: timecode.Int(8), Extra: timecode.Int(0), Silent: true}},
		Pins: []tempo.Pin{{Bar: 1, Beat: 2, Frame: 22}, {Bar: 1, Beat: 4, Frame: 54}}}
	text, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(text, FileName)
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if !reflect.DeepEqual(s.Map, back.Map) {
		t.Errorf("%+v became %+v", s.Map, back.Map)
	}
	moved := strings.Replace(string(text), "beat = 2\nframe = 22", "beat = 2\nframe = 23", 1)
	if _, err := Decode([]byte(moved), FileName); err == nil || !strings.Contains(err.Error(), "pinned beat 1.2") {
		t.Errorf("a pinned beat off its frame gave %v", err)
	}
}
