package mix_test

import (
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/internal/fault"
)

// whole is a chain with every setting said.
var whole = []string{
	"trim db=-3", "high-pass hz=80", "eq-low hz=120 db=3 q=0.7", "eq-low-mid hz=400 db=-2.5 q=1.4", "eq-high-mid db=2", "eq-high hz=9000 db=-1",
	"gate threshold_db=-50 range_db=30 attack_ms=2 hold_ms=90 release_ms=250", "de-ess threshold_db=-30 hz=6500 range_db=9",
	"compressor threshold_db=-20 ratio=4 knee_db=6 attack_ms=5 release_ms=120 makeup_db=3", "saturation drive_db=4",
}

func chainOf(t testing.TB, lines ...string) mix.Chain {
	t.Helper()
	var c mix.Chain
	for _, l := range lines {
		if err := c.Set(l); err != nil {
			t.Fatalf("%s: %v", l, err)
		}
	}
	return c
}

func TestLinesComeBack(t *testing.T) {
	c := chainOf(t, whole...)
	if err := c.Validate(48000); err != nil {
		t.Fatal(err)
	}
	if got := c.Lines(); !slices.Equal(got, whole) {
		t.Errorf("lines\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(whole, "\n"))
	}
	for _, name := range mix.ChainNames() {
		if err := c.Set(name + " off"); err != nil {
			t.Errorf("%s off: %v", name, err)
		}
	}
	if c != (mix.Chain{}) || c.Lines() != nil {
		t.Errorf("all off leaves %+v", c)
	}
	var r mix.Room
	if err := r.Set("seconds=2.5 pre_delay_ms=20"); err != nil || r.Seconds != 2.5 || r.Text() != "seconds=2.5 pre_delay_ms=20" {
		t.Errorf("room %+v, %v", r, err)
	}
	ride := mix.Ride{Voice: "speaker"}
	if err := ride.Set("depth_db=12"); err != nil || ride.Voice != "speaker" || ride.DepthDB != 12 {
		t.Errorf("ride %+v, %v", ride, err)
	}
}

func TestLinesRefused(t *testing.T) {
	for _, l := range []string{"", "flanger hz=1", "trim", "trim db", "trim db=", "trim db=nan", "trim db=inf", "trim db=1 db=2", "trim hz=2", "gate " + strings.Repeat("x", 999)} {
		var c mix.Chain
		if err := c.Set(l); fault.KindOf(err) != fault.Usage {
			t.Errorf("%q: %v", l, err)
		}
	}
	for _, l := range []string{"trim db=99", "high-pass hz=5", "high-pass hz=23999", "eq-low hz=100", "eq-high db=99", "eq-low db=3 q=99", "gate range_db=3", "gate threshold_db=3",
		"de-ess threshold_db=-20 hz=200", "compressor threshold_db=-20", "compressor ratio=0.5 threshold_db=-20", "compressor ratio=4 attack_ms=9999", "saturation drive_db=-1"} {
		c := chainOf(t, l)
		if err := c.Validate(48000); fault.KindOf(err) != fault.Usage {
			t.Errorf("%q stands: %v", l, err)
		}
	}
}

// Any text is read or refused; what is read comes back from its own lines.
func FuzzLine(f *testing.F) {
	for _, l := range whole {
		f.Add(l)
	}
	f.Add("compressor off")
	f.Add("eq-low db=1e308 hz=-0")
	f.Fuzz(func(t *testing.T, line string) {
		var c mix.Chain
		if err := c.Set(line); err != nil {
			return
		}
		var again mix.Chain
		for _, l := range c.Lines() {
			if err := again.Set(l); err != nil {
				t.Fatalf("%q became %q: %v", line, l, err)
			}
		}
		if c != again {
			t.Fatalf("%q came back as %+v, not %+v", line, again, c)
		}
		_ = c.Validate(48000)
	})
}
