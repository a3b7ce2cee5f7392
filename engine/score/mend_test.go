package score

import (
	"reflect"
	"strings"
	"testing"
)

func TestMendsAndColoursComeBack(t *testing.T) {
	s := sample()
	l := &s.Layers[0]
	l.Mends = []Mend{{Do: Retune, Amount: 0.8, SpeedMS: 120, From: -480, By: 96000}, {Do: Retime, Amount: 1, To: ToHits}}
	l.Colour = []string{"pitch -12 st", "drive 6 dB"}
	text, err := Encode(s)
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(text, FileName)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if !reflect.DeepEqual(back.Layers[0].Mends, l.Mends) || !reflect.DeepEqual(back.Layers[0].Colour, l.Colour) {
		t.Errorf("%+v %q came back as %+v %q", l.Mends, l.Colour, back.Layers[0].Mends, back.Layers[0].Colour)
	}
}

func TestMendsThatCannotStand(t *testing.T) {
	name := sample().Layers[0].Name
	for _, c := range []struct {
		m    Mend
		want string
	}{
		{Mend{Do: "polish", Amount: 1}, "is not one of"},
		{Mend{Do: Retune, Amount: 1.01}, "outside 0 to 1"},
		{Mend{Do: Retune, Amount: 1, SpeedMS: 3000}, "speed_ms"},
		{Mend{Do: Retune, Amount: 1, To: "grid"}, "own notes"},
		{Mend{Do: Retime, Amount: 1}, "to:"},
		{Mend{Do: Retime, Amount: 1, To: "../x"}, "to:"},
		{Mend{Do: Retime, Amount: 1, To: name}, "follow itself"},
		{Mend{Do: Retune, Amount: 1, From: 5, By: 5}, "empty"},
	} {
		s := sample()
		s.Layers[0].Mends = []Mend{c.m}
		if err := s.Validate(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.m, err, c.want)
		}
	}
	s := sample()
	s.Layers[0].Colour = []string{"pitch \x1b[2J"}
	if s.Validate() == nil {
		t.Error("a colour with a control character is taken")
	}
}

func TestAMendGivesWayToItsLike(t *testing.T) {
	var l Layer
	l.AddMend(Mend{Do: Retune, Amount: 0.5})
	l.AddMend(Mend{Do: Retune, Amount: 1, From: 100, By: 200})
	l.AddMend(Mend{Do: Retune, Amount: 0.7})
	want := []Mend{{Do: Retune, Amount: 1, From: 100, By: 200}, {Do: Retune, Amount: 0.7}}
	if !reflect.DeepEqual(l.Mends, want) {
		t.Errorf("%+v, want %+v", l.Mends, want)
	}
	l.AddMend(Mend{Do: Retune, From: 100, By: 200})
	if want := []Mend{{Do: Retune, Amount: 0.7}, {Do: Retune, From: 100, By: 200}}; !reflect.DeepEqual(l.Mends, want) {
		t.Errorf("an amount of 0 for a stretch: %+v, want %+v", l.Mends, want)
	}
	l.Mends = nil
	l.AddMend(Mend{Do: Retune, Amount: 1})
	l.AddMend(Mend{Do: Retune})
	if len(l.Mends) != 0 {
		t.Errorf("an amount of 0 left %+v", l.Mends)
	}
}
