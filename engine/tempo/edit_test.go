package tempo

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"pgregory.net/rapid"
)

// Twelve frames a quarter in 4/4 from frame 0: bar n begins at 48 (n-1).
func evenGrid(t testing.TB, pins ...Pin) *Grid {
	m := Map{Style: Steady, Sections: []Section{{Bars: 20, FramesPerQuarter: timecode.Int(12)}}, Pins: pins}
	return mustGrid(t, m, timecode.Rate24, 960)
}

// Bar lines after an edit, by hand, and how many sections say them.
func TestEditsByHand(t *testing.T) {
	free, pinned := evenGrid(t), evenGrid(t, Pin{3, 1, 96}, Pin{7, 1, 288})
	edit := func(m Map, err error) func() (Map, error) { return func() (Map, error) { return m, err } }
	for name, c := range map[string]struct {
		edit  func() (Map, error)
		bars  map[int]timecode.Ratio
		parts int
		pins  string
	}{
		"a bar more shifts the rest":         {edit(free.InsertBars(5, 1, Metre{})), frames(5, 192, 6, 240, 12, 528), 1, "[]"},
		"a bar of 3/4":                       {edit(free.InsertBars(5, 1, Metre{3, 4})), frames(5, 192, 6, 228, 7, 276), 3, "[]"},
		"between pins the bars give way":     {edit(pinned.InsertBars(5, 1, Metre{})), map[int]timecode.Ratio{3: timecode.Int(96), 4: timecode.R(672, 5), 8: timecode.Int(288), 9: timecode.Int(336)}, 3, "[3.1 at frame 96 8.1 at frame 288]"},
		"a bar less":                         {edit(free.DeleteBars(2, 2)), frames(2, 48, 3, 96), 1, "[]"},
		"two bars less between pins":         {edit(pinned.DeleteBars(4, 5)), frames(3, 96, 4, 192, 5, 288, 6, 336), 3, "[3.1 at frame 96 5.1 at frame 288]"},
		"a shorter bar":                      {edit(free.SetMetre(2, 2, Metre{2, 4})), frames(2, 48, 3, 72, 4, 120), 3, "[]"},
		"a longer bar":                       {edit(free.SetMetre(2, 3, Metre{5, 4})), frames(2, 48, 3, 108, 4, 168), 3, "[]"},
		"the same metre":                     {edit(free.SetMetre(2, 3, Metre{4, 4})), frames(2, 48, 3, 96, 20, 912), 1, "[]"},
		"a first pin scales from bar 1":      {edit(free.PinBeat(5, 1, 160)), frames(1, 0, 3, 80, 5, 160, 6, 208), 2, "[5.1 at frame 160]"},
		"a pin on bar 1 moves the map":       {edit(free.PinBeat(1, 1, -10)), frames(1, -10, 2, 38), 1, "[1.1 at frame -10]"},
		"a pin between pins":                 {edit(pinned.PinBeat(5, 1, 216)), frames(2, 48, 3, 96, 4, 156, 5, 216, 6, 252, 7, 288, 8, 336), 4, "[3.1 at frame 96 5.1 at frame 216 7.1 at frame 288]"},
		"a pin where it was":                 {edit(free.PinBeat(5, 3, 216)), frames(5, 192, 9, 384), 1, "[5.3 at frame 216]"},
		"a pin moved":                        {edit(pinned.PinBeat(7, 1, 296)), frames(3, 96, 5, 196, 7, 296, 8, 344), 3, "[3.1 at frame 96 7.1 at frame 296]"},
		"unpinned, and nothing moves":        {edit(pinned.Unpin(3, 1)), frames(3, 96, 7, 288), 1, "[7.1 at frame 288]"},
		"twice as long":                      {edit(free.Scale(2, 3, timecode.Int(2))), frames(2, 48, 3, 144, 4, 240, 5, 288), 3, "[]"},
		"longer between pins, the rest less": {edit(pinned.Scale(3, 4, timecode.R(5, 4))), frames(3, 96, 4, 156, 5, 216, 6, 252, 7, 288, 8, 336), 4, "[3.1 at frame 96 7.1 at frame 288]"},
		"to a number of frames":              {edit(free.ScaleTo(2, 3, 100)), frames(2, 48, 3, 98, 4, 148), 3, "[]"},
		"to a tempo":                         {edit(free.SetTempo(2, 2, 60)), frames(2, 48, 3, 144, 4, 192), 3, "[]"},
		"a hold shifts the rest":             {edit(free.Hold(2, 4, 7)), frames(2, 48, 3, 103, 4, 151), 2, "[]"},
		"a hold between pins":                {edit(pinned.Hold(4, 4, 96)), frames(3, 96, 4, 120, 5, 240, 6, 264, 7, 288, 8, 336), 4, "[3.1 at frame 96 7.1 at frame 288]"},
		"silence moves nothing":              {edit(free.Silence(2, 3, true)), frames(2, 48, 4, 144), 3, "[]"},
	} {
		m, err := c.edit()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		g := mustGrid(t, m, timecode.Rate24, 960)
		for bar, want := range c.bars {
			if got := fit(g.frameOf(g.barQuarter(bar))); got != want {
				t.Errorf("%s: bar %d at frame %s, want %s", name, bar, got, want)
			}
		}
		if len(m.Sections) != c.parts || fmt.Sprint(m.Pins) != c.pins {
			t.Errorf("%s: %d sections, want %d; pins %s, want %s\n%+v", name, len(m.Sections), c.parts, m.Pins, c.pins, m.Sections)
		}
	}
}

func frames(pairs ...int64) map[int]timecode.Ratio {
	out := map[int]timecode.Ratio{}
	for i := 0; i < len(pairs); i += 2 {
		out[int(pairs[i])] = timecode.Int(pairs[i+1])
	}
	return out
}

// A bar of a glide cut out of 24 to 8 frames a quarter leaves the tempos of
// what stays; and joined again it is one section.
func TestEditsWithinAGlide(t *testing.T) {
	m := Map{Sections: []Section{{Bars: 4, FramesPerQuarter: timecode.Int(24), EndFramesPerQuarter: timecode.Int(8)}}}
	g := mustGrid(t, m, timecode.Rate24, 400)
	out, err := g.DeleteBars(2, 2)
	if err != nil {
		t.Fatal(err)
	}
	h := mustGrid(t, out, timecode.Rate24, 400)
	if got := h.Bars(48000)[1].BPM; got != 60*24/16. { // 24 - 16*(8/16) = 16 frames a quarter at bar 3
		t.Errorf("the bar after the cut begins at %v BPM, want 90", got)
	}
	if out, err = g.Silence(2, 2, true); err != nil || len(out.Sections) != 3 {
		t.Fatalf("%+v, %v", out, err)
	}
	if out, err = mustGrid(t, out, timecode.Rate24, 400).Silence(1, 4, false); err != nil || len(out.Sections) != 1 {
		t.Errorf("after the silence was lifted: %+v, %v", out.Sections, err)
	}
}

// A bar's hold stays on its last beat when its metre changes: bar 2 of 12
// frames a quarter, held 7 frames.
func TestMetreKeepsTheHold(t *testing.T) {
	m, err := evenGrid(t).Hold(2, 4, 7)
	if err != nil {
		t.Fatal(err)
	}
	for metre, want := range map[Metre]int64{{2, 4}: 48 + 24 + 7, {5, 4}: 48 + 60 + 7} {
		out, err := mustGrid(t, m, timecode.Rate24, 960).SetMetre(2, 2, metre)
		if err != nil {
			t.Fatal(err)
		}
		g := mustGrid(t, out, timecode.Rate24, 960)
		if got := g.At(3, 1, 0).Frame; got != timecode.Int(want) {
			t.Errorf("after a held bar of %s bar 3 begins at frame %s, want %d", metre, got, want)
		}
		if last := g.At(2, metre.Num, 0).Frame; last != timecode.Int(48+12*int64(metre.Num-1)) {
			t.Errorf("the last beat of a held bar of %s lies at frame %s", metre, last)
		}
	}
}

// Two glides that meet at one tempo but bend unlike each other stay two.
func TestGlidesThatMeetStayTwo(t *testing.T) {
	m := Map{Sections: []Section{
		{Bars: 1, FramesPerQuarter: timecode.Int(24), EndFramesPerQuarter: timecode.Int(16)},
		{Bars: 2, FramesPerQuarter: timecode.Int(16), EndFramesPerQuarter: timecode.Int(8)}}}
	g := mustGrid(t, m, timecode.Rate24, 400)
	out, err := g.Silence(9, 9, true)
	if err != nil {
		t.Fatal(err)
	}
	h := mustGrid(t, out, timecode.Rate24, 400)
	for q := range int64(14) {
		if a, b := g.FrameAt(timecode.Int(q)), h.FrameAt(timecode.Int(q)); a != b {
			t.Errorf("quarter %d moved from frame %s to %s", q, a, b)
		}
	}
}

func TestEditsRefuse(t *testing.T) {
	g := evenGrid(t, Pin{3, 1, 96}, Pin{5, 2, 204})
	for name, c := range map[string]struct {
		err  error
		kind fault.Kind
		says string
	}{
		"bar 0":                 {second(g.InsertBars(0, 1, Metre{})), fault.Usage, "bar 0 is not in the map"},
		"far bar":               {second(g.DeleteBars(3, 900)), fault.Usage, "not all in the map"},
		"backwards":             {second(g.DeleteBars(7, 6)), fault.Usage, "not all in the map"},
		"no bars":               {second(g.InsertBars(2, 0, Metre{})), fault.Usage, "insert 1 to"},
		"a pinned bar":          {second(g.DeleteBars(4, 5)), fault.Usage, "bar 5 holds the pinned beat 5.2"},
		"a metre that is none":  {second(g.SetMetre(2, 2, Metre{4, 5})), fault.OverLimit, "metre 4/5"},
		"the pinned beat gone":  {second(g.SetMetre(5, 5, Metre{1, 4})), fault.Usage, "outside its bar of 1/4"},
		"beat 5":                {second(g.PinBeat(4, 5, 150)), fault.Usage, "beat 5 is not in bar 4"},
		"before a pin":          {second(g.PinBeat(4, 1, 96)), fault.NotMet, "wrong order"},
		"after a pin":           {second(g.PinBeat(4, 1, 300)), fault.NotMet, "wrong order"},
		"before bar 1":          {second(g.PinBeat(2, 1, -5)), fault.NotMet, "would come before it"},
		"too fast":              {second(g.PinBeat(4, 1, 97)), fault.OverLimit, "quarters a minute"},
		"no pin":                {second(g.Unpin(4, 1)), fault.Missing, "not pinned"},
		"a pin inside":          {second(g.Scale(5, 6, timecode.Int(2))), fault.Usage, "bar 5 holds"},
		"a whole stretch":       {second(evenGrid(t, Pin{3, 1, 96}, Pin{5, 1, 192}).Scale(3, 4, timecode.R(1, 2))), fault.NotMet, "spoken for"},
		"too long":              {second(evenGrid(t, Pin{3, 1, 96}, Pin{5, 1, 192}).ScaleTo(3, 3, 100)), fault.NotMet, "100 are spoken for"},
		"scaled to nothing":     {second(g.Scale(1, 1, timecode.R(1, 100))), fault.Usage, "1/16 to 16"},
		"no tempo":              {second(g.SetTempo(1, 1, 0)), fault.Usage, "no tempo"},
		"crawl":                 {second(g.SetTempo(9, 9, 10)), fault.OverLimit, "quarters a minute"},
		"an endless hold":       {second(g.Hold(1, 1, 1<<40)), fault.Usage, "cannot be held"},
		"a hold of no room":     {second(g.Hold(3, 4, 200)), fault.NotMet, "spoken for"},
		"a beat that is not":    {second(g.Hold(3, 5, 2)), fault.Usage, "beat 5 is not in bar 3"},
		"silence out of bounds": {second(g.Silence(0, 3, true)), fault.Usage, "not all in the map"},
	} {
		if c.err == nil || fault.KindOf(c.err) != c.kind || !strings.Contains(c.err.Error(), c.says) {
			t.Errorf("%s: %v, want %v that says %q", name, c.err, c.kind, c.says)
		}
	}
}

func second(_ Map, err error) error { return err }

// Any row of edits: every pinned beat stays exactly on its frame, beats rise,
// and outside the pinned beats on either side no bar moves by a sample.
func TestEditsKeepPins(t *testing.T) {
	done, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		m, rate := drawRichMap(t)
		g, err := NewGrid(m, rate, 1500)
		if err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 12).Draw(t, "edits") {
			e := drawEdit(t, g)
			m, err := e.run(g)
			if err != nil {
				if k := fault.KindOf(err); k == fault.Unexpected || k == fault.Malformed {
					t.Fatalf("%s: %v", e.name, err)
				}
				refused++
				continue
			}
			done++
			next, err := NewGrid(m, rate, 1500) // holds the pins to their frames
			if err != nil {
				t.Fatalf("%s: %v", e.name, err)
			}
			checkEdit(t, e, g, next)
			g = next
		}
	})
	if done < 100 {
		t.Errorf("only %d edits were made, %d refused", done, refused)
	}
	t.Logf("%d edits made, %d refused", done, refused)
}

// anEdit is an edit with the bars that it touches and how many are added.
type anEdit struct {
	name           string
	from, to, more int
	pin            *Pin
	run            func(*Grid) (Map, error)
}

func drawEdit(t *rapid.T, g *Grid) anEdit {
	bar := rapid.IntRange(1, g.last+2).Draw(t, "bar")
	to := bar + rapid.IntRange(0, 4).Draw(t, "more")
	beat := rapid.IntRange(1, g.metreOfBar(bar).metre.Beats()).Draw(t, "beat")
	metre := rapid.SampledFrom([]Metre{{}, {3, 4}, {6, 8}, {5, 4}, {7, 8}}).Draw(t, "metre")
	n := rapid.IntRange(1, 3).Draw(t, "n")
	switch rapid.IntRange(0, 8).Draw(t, "kind") {
	case 0:
		return anEdit{fmt.Sprintf("insert %d %s before %d", n, metre, bar), bar, bar - 1, n, nil, func(g *Grid) (Map, error) { return g.InsertBars(bar, n, metre) }}
	case 1:
		return anEdit{fmt.Sprintf("delete %d-%d", bar, to), bar, to, bar - to - 1, nil, func(g *Grid) (Map, error) { return g.DeleteBars(bar, to) }}
	case 2:
		return anEdit{fmt.Sprintf("metre %d-%d %s", bar, to, metre), bar, to, 0, nil, func(g *Grid) (Map, error) { return g.SetMetre(bar, to, metre) }}
	case 3, 4, 5:
		at := g.At(bar, beat, 0).Frame.Round() + rapid.Int64Range(-4, 4).Draw(t, "off")
		return anEdit{fmt.Sprintf("pin %d.%d %d", bar, beat, at), bar, bar, 0, &Pin{bar, beat, at}, func(g *Grid) (Map, error) { return g.PinBeat(bar, beat, at) }}
	case 6:
		by := timecode.R(rapid.Int64Range(80, 125).Draw(t, "by"), 100)
		return anEdit{fmt.Sprintf("scale %d-%d %s", bar, to, by), bar, to, 0, nil, func(g *Grid) (Map, error) { return g.Scale(bar, to, by) }}
	case 7:
		hold := rapid.Int64Range(0, 30).Draw(t, "hold")
		return anEdit{fmt.Sprintf("hold %d.%d %d", bar, beat, hold), bar, bar, 0, nil, func(g *Grid) (Map, error) { return g.Hold(bar, beat, hold) }}
	}
	on := rapid.Bool().Draw(t, "on")
	return anEdit{fmt.Sprintf("silence %d-%d %v", bar, to, on), bar, to, 0, nil, func(g *Grid) (Map, error) { return g.Silence(bar, to, on) }}
}

// checkEdit compares bars before the last pin at or before the edit, and after
// the first one after it.
func checkEdit(t *rapid.T, e anEdit, before, after *Grid) {
	lo, hi := 1, 0 // bars up to lo and from hi on may not move; 0: none
	unmoved := false
	for _, p := range before.m.Pins {
		if e.pin != nil && p.Bar == e.pin.Bar && p.Beat == e.pin.Beat {
			continue
		}
		if e.pin != nil && p.Bar == e.pin.Bar { // within its bar: the bar lines around tell nothing
			continue
		}
		if p.Bar < e.from || p.Bar == e.from && p.Beat == 1 && e.pin == nil {
			lo, unmoved = p.Bar, true
		}
		if p.Bar > e.to && hi == 0 {
			hi = p.Bar + 1
			if p.Beat == 1 {
				hi = p.Bar
			}
		}
	}
	if e.pin == nil && e.more > 0 && slices.ContainsFunc(before.m.Pins, func(p Pin) bool { return p.Bar == e.from && p.Beat == 1 }) {
		lo, unmoved = min(lo, e.from-1), lo < e.from && unmoved // bars go in before the pinned beat
	}
	same := func(bar, now int) {
		a := before.frameOf(before.barQuarter(bar))
		if b := after.frameOf(after.barQuarter(now)); a.Cmp(b) != 0 { // exactly, so to the sample
			t.Fatalf("%s moved bar %d from frame %s to %s; pins %v", e.name, bar, a, b, before.m.Pins)
		}
	}
	if unmoved {
		for bar := 1; bar <= lo; bar++ {
			same(bar, bar)
		}
	}
	if hi > 0 {
		for bar := hi; bar <= before.last+4; bar++ {
			same(bar, bar+e.more)
		}
	}
	if len(after.m.Pins) < len(before.m.Pins) {
		t.Fatalf("%s lost a pin: %v, then %v", e.name, before.m.Pins, after.m.Pins)
	}
	beats := after.Beats(48000)
	for i := 1; i < len(beats); i++ {
		if beats[i].Sample <= beats[i-1].Sample {
			t.Fatalf("%s: beats %v and %v do not rise", e.name, beats[i-1], beats[i])
		}
	}
	for _, p := range after.m.Pins {
		if at := after.frameOf(after.beatQuarter(p.Bar, p.Beat)); at.Cmp(new(big.Rat).SetInt64(p.Frame)) != 0 {
			t.Fatalf("%s: %s lies at %s", e.name, p, at)
		}
	}
}
