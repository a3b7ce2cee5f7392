package score

import (
	"bytes"
	"reflect"
	"strings"
	"testing"

	"cuechoir/engine/mix"
)

// mixed is the sample with all that can be said of its mix.
func mixed() *Score {
	s := sample()
	s.Layers[0].Strip = LayerStrip{
		Chain: mix.Chain{TrimDB: -2, HighPassHz: 80, EQ: mix.EQ{High: mix.Band{GainDB: 2}}, Gate: mix.Gate{ThresholdDB: -50},
			DeEsser: mix.DeEsser{ThresholdDB: -30}, Compressor: mix.Compressor{ThresholdDB: -20, Ratio: 3}, Saturation: mix.Saturation{DriveDB: 3}},
		Automation: mix.Automation{{At: -480, DB: -6}, {At: 48000, DB: 0.5}},
		Sends:      []mix.Send{{To: mix.ToRoom, DB: -12}, {To: mix.ToEcho, DB: -20}},
	}
	s.Desk = Desk{
		Groups: []mix.Group{{Name: "brass", GainDB: -1.5, Chain: mix.Chain{Compressor: mix.Compressor{ThresholdDB: -18, Ratio: 2}}, Sends: []mix.Send{{To: mix.ToRoom, DB: -9}}, Automation: mix.Automation{{At: 0, DB: -3}}}, {Name: "old", Mute: true}},
		Room:   mix.Room{Seconds: 2.2}, Echo: mix.Echo{Milliseconds: 420},
		Ride:   mix.Ride{Voice: "drums", DepthDB: 11, Marks: []mix.Span{{From: 48000, To: 96000}}},
		Master: mix.Chain{EQ: mix.EQ{Low: mix.Band{GainDB: 1}}}, Limit: true,
	}
	return s
}

func TestDeskRoundTrip(t *testing.T) {
	s := mixed()
	data, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(data, FileName)
	if err != nil {
		t.Fatalf("%v in\n%s", err, data)
	}
	if !reflect.DeepEqual(s, back) {
		t.Errorf("the mix changed on its way:\n%+v\n%+v\n%s", s, back, data)
	}
	if again, _ := Encode(back); !bytes.Equal(data, again) {
		t.Error("the same mix has two texts")
	}
	plain, _ := Encode(sample())
	for _, word := range []string{"strip", "sends", "automation", "[[groups]]", "[mix]"} {
		if strings.Contains(string(plain), word) {
			t.Errorf("a score without a mix holds %q", word)
		}
	}
}

func TestDeskRefused(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Score)
		says   string
	}{
		"threshold":   {func(s *Score) { s.Layers[0].Strip.Chain.Compressor.ThresholdDB = 9 }, "brass-1"},
		"send":        {func(s *Score) { s.Layers[0].Strip.Sends[0].To = "cellar" }, "cellar"},
		"order":       {func(s *Score) { s.Layers[0].Strip.Automation[1].At = -480 }, "does not come after"},
		"group name":  {func(s *Score) { s.Desk.Groups[0].Name = "../x" }, "[[groups]] 1"},
		"group twice": {func(s *Score) { s.Desk.Groups[1].Name = "brass" }, "twice"},
		"group gain":  {func(s *Score) { s.Desk.Groups[0].GainDB = 99 }, "gain_db"},
		"room":        {func(s *Score) { s.Desk.Room.Seconds = 99 }, "seconds"},
		"echo":        {func(s *Score) { s.Desk.Echo.FeedbackDB = 3 }, "feedback_db"},
		"voice":       {func(s *Score) { s.Desk.Ride.Voice = "a b" }, "ride"},
		"marks":       {func(s *Score) { s.Desk.Ride.Marks[0].To = 1 }, "mark 1"},
		"master":      {func(s *Score) { s.Desk.Master.TrimDB = -99 }, "master"},
	} {
		s := mixed()
		c.change(s)
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want words of %q", name, err, c.says)
		}
	}
}
