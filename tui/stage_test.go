package tui

import (
	"slices"
	"strings"
	"testing"
)

// stageOf is the harbour in a stage, 80 by 24.
func stageOf(t testing.TB, st Stage) State {
	t.Helper()
	s := stateOf(t, harbour(), 80, 24)
	s.Stage = st
	return s
}

// wished is the state after keys, and what was wished for by them.
func wished(s State, keys string) (State, []Wish) {
	var out []Wish
	for _, k := range strings.Fields(keys) {
		s = s.press(k)
		out, s.wishes = append(out, s.wishes...), nil
	}
	return s, out
}

// at is the first sample of a frame of the harbour.
func at(frame int64) int64 { m := harbour(); return m.Rate.SampleOf(frame, m.SampleRate) }

// Each key wishes for the one thing that its line in the list says.
func TestKeysWishForWhatTheySay(t *testing.T) {
	const second = 2002 * 24
	for _, c := range []struct {
		stage Stage
		keys  string
		want  Wish
	}{
		{Spot, "h m", Wish{Do: DoHit, Frame: 96, Must: true}},
		{Spot, "h n", Wish{Do: DoHit, Frame: 96}},
		{Spot, "h o", Wish{Do: DoLands, Frame: 96}},
		{Spot, "c c y", Wish{Do: DoCut, Frame: 96}},
		{Spot, "c .", Wish{Do: DoMoveCut, Frame: 38, Other: 39}},
		{Spot, "c ,", Wish{Do: DoMoveCut, Frame: 38, Other: 37}},
		{Spot, "u", Wish{Do: DoUndo}}, {Map, "U", Wish{Do: DoRedo}},
		{Spot, "h i back back back back back back back back back back space A enter", Wish{Do: DoNameHit, Frame: 96, Name: " A"}},
		{Spot, "c i Z enter", Wish{Do: DoNameShot, Frame: 38, Name: "Z"}},
		{Spot, "s space", Wish{Do: DoPlay, From: second, To: at(1440), Hear: Hear{Reference: true, VolumeDB: -12}}},
		{Map, "b x b x l space", Wish{Do: DoPlay, From: at(48), To: at(144), Loop: true, Hear: Hear{Reference: true, Click: true, VolumeDB: -12}}},
		{Map, "h p", Wish{Do: DoPin, Frame: 96}},
		{Map, "b m 3 / 4 enter", Wish{Do: DoBars, Name: "metre", Frame: 2, Other: 2, Text: "3/4"}},
		{Map, "b x b x n 9 6 enter", Wish{Do: DoBars, Name: "tempo", Frame: 2, Other: 3, Text: "96"}},
		{Map, "i", Wish{Do: DoBars, Name: "insert", Frame: 1, Other: 1}},
		{Map, "b e", Wish{Do: DoBars, Name: "delete", Frame: 2, Other: 2}},
		{Map, "h w 1 2 enter", Wish{Do: DoHold, Frame: 96, Text: "12"}},
		{Map, "enter", Wish{Do: DoOffer, Style: "stepped"}},
		{Map, "y enter", Wish{Do: DoOffer, Style: "steady"}},
		{Map, "y y y enter", Wish{Do: DoFollow, Style: "follow"}},
		{Map, "T", Wish{Do: DoUntap}},
		{Sing, "v v v enter", Wish{Do: DoSing, Layer: "Lead", Hear: Hear{Click: true, VolumeDB: -12}}},
		{Sing, "v v v b b x x g y d ( enter", Wish{Do: DoSing, Layer: "Lead", From: at(96), To: at(144), Name: "bar 3",
			Hear: Hear{Guide: "Lead", Layers: []string{"Horn low", "Tenor", "Skins"}, VolumeDB: -15}}},
		{Sing, "k", Wish{Do: DoUseTake, Layer: "Horn low", Take: "001"}},
		{Sing, "o k", Wish{Do: DoUseTake, Layer: "Horn low", Take: "002"}},
		{Sing, "o *", Wish{Do: DoRate, Layer: "Horn low", Take: "002", Index: 5}},
		{Sing, "x o p", Wish{Do: DoComp, Layer: "Horn low", Take: "002", From: 0, To: at(48), Name: "bar 1"}},
		{Sing, "n b a s s enter", Wish{Do: DoAddLayer, Name: "bass"}},
		{Check, "j", Wish{Do: DoCheck}},
		{Mix, ".", Wish{Do: DoFader, Layer: "Horn low", By: 1}},
		{Mix, "v <", Wish{Do: DoPan, Layer: "Horn high", By: -0.1}},
		{Mix, "m", Wish{Do: DoMute, Layer: "Horn low"}},
		{Mix, "g ,", Wish{Do: DoFader, Group: "brass", By: -1}},
		{Mix, "g m", Wish{Do: DoMute, Group: "brass"}},
		{Mix, "y space", Wish{Do: DoPlay, To: at(1440), Hear: Hear{Mix: true, Alone: "Horn low", VolumeDB: -12}}},
		{Bounce, "o y g enter", Wish{Do: DoBounce, Bits: 16, Target: -23, Stems: true}},
	} {
		_, got := wished(stageOf(t, c.stage), c.keys)
		if len(got) != 1 || !sameWish(got[0], c.want) {
			t.Errorf("%s, %q wishes for %+v, want %+v", c.stage.Word(), c.keys, got, c.want)
		}
	}
}

func sameWish(a, b Wish) bool {
	same := slices.Equal(a.Hear.Layers, b.Hear.Layers) && slices.Equal(a.Moves, b.Moves) && slices.Equal(a.Taps, b.Taps)
	x, y := a.Hear, b.Hear
	same = same && x.Click == y.Click && x.Reference == y.Reference && x.Guide == y.Guide && x.VolumeDB == y.VolumeDB && x.Mix == y.Mix && x.Alone == y.Alone
	return same && a.Do == b.Do && a.Frame == b.Frame && a.Other == b.Other && a.From == b.From && a.To == b.To && a.Must == b.Must &&
		a.Loop == b.Loop && a.Layer == b.Layer && a.Take == b.Take && a.Group == b.Group && a.Name == b.Name && a.Style == b.Style &&
		a.Index == b.Index && a.Bits == b.Bits && a.By == b.By && a.Target == b.Target && a.Stems == b.Stems && a.Text == b.Text
}

// Hits are marked where the playing stands, and the playing goes on.
func TestHitsAreMarkedWhilePlaying(t *testing.T) {
	s, got := wished(stageOf(t, Spot), "space")
	s = s.begun(got[0]).hear(Told{Moving: true, At: at(123) + 700})
	s, got = wished(s, "m")
	if len(got) != 1 || got[0].Frame != 123 || !s.run.moving() || s.run.stopping {
		t.Errorf("%+v, running %v", got, s.run)
	}
	s, got = wished(s, "c") // a jump goes on playing from there
	if s.next == nil || s.next.From != at(131) || !s.run.stopping || len(got) != 0 {
		t.Errorf("next %+v, wishes %v", s.next, got)
	}
}

// While a take is sung nothing moves the gate, and space ends it.
func TestNothingMovesWhileATakeIsSung(t *testing.T) {
	s, got := wished(stageOf(t, Sing), "enter")
	s = s.begun(got[0]).hear(Told{Moving: true, At: at(100)})
	if s = after(s, "f s c home"); s.Frame != 100 || s.News == "" {
		t.Errorf("frame %d, %q", s.Frame, s.News)
	}
	if _, got = wished(s, "enter"); len(got) != 0 {
		t.Errorf("a second take beside the first: %v", got)
	}
	if s = s.press("space"); !s.run.stopping {
		t.Error("space does not end the take")
	}
}

// Taps are the samples that sounded, and come in when the playing ends, also
// when the person quits in the middle.
func TestTaps(t *testing.T) {
	s, got := wished(stageOf(t, Map), "space")
	s = s.begun(got[0])
	for _, x := range []int64{1000, 25_000, 25_000, 49_000} {
		s = s.hear(Told{Moving: true, At: x}).press("t")
	}
	s.ready = true
	s = s.end(Outcome{}, nil)
	if len(s.wishes) != 1 || s.wishes[0].Do != DoTaps || !slices.Equal(s.wishes[0].Taps, []int64{1000, 25_000, 49_000}) {
		t.Errorf("%+v", s.wishes)
	}
	if _, got = wished(stageOf(t, Map), "t"); len(got) != 0 {
		t.Errorf("a tap without playing: %v", got)
	}
}

// A ride is a move a key, from where the fader stood, written when it ends.
func TestRide(t *testing.T) {
	s, got := wished(stageOf(t, Mix), "v v v r space")
	s = s.begun(got[0]).hear(Told{Moving: true, At: at(300)})
	s, got = wished(s, ". .")
	s, more := wished(s.hear(Told{Moving: true, At: at(330)}), ",")
	s.ready = true
	s = s.hear(Told{Moving: true, At: at(360)}).end(Outcome{}, nil)
	if len(got)+len(more) != 0 || len(s.wishes) != 1 {
		t.Fatalf("%v, %v, %v", got, more, s.wishes)
	}
	want := Wish{Do: DoRide, Layer: "Lead", From: at(300), To: at(360), Moves: []Move{{at(300), 1}, {at(330), 0}}}
	if !sameWish(s.wishes[0], want) {
		t.Errorf("%+v, want %+v", s.wishes[0], want)
	}
}

// The worst note leads to Sing with its bar chosen: from there enter punches in.
func TestSingAgainChoosesTheBarOfTheWorst(t *testing.T) {
	s, got := wished(stageOf(t, Check), "v v v enter enter")
	if s.Stage != Sing || len(got) != 1 || got[0].Do != DoSing || got[0].Layer != "Lead" || got[0].From != at(144) || got[0].To != at(192) {
		t.Errorf("stage %s, %+v", s.Stage.Word(), got)
	}
	s, got = wished(stageOf(t, Check), "y w enter enter") // of all layers: the bars that gain most
	if s.Stage != Sing || len(got) != 1 || got[0].Layer != "Lead" || got[0].From != at(96) || got[0].To != at(192) {
		t.Errorf("of all layers: %+v", got)
	}
}

// What is open in the list before a bounce is gone to, one after the other: what
// is in the way first, each in its stage and on its layer.
func TestWhatIsOpenIsGoneTo(t *testing.T) {
	s := stageOf(t, Bounce)
	for i, want := range []struct {
		stage Stage
		layer string
	}{{Sing, "Horn high"}, {Check, "Lead"}, {Bounce, "Lead"}, {Map, "Lead"}, {Sing, "Lead"}, {Mix, "Tuba"}, {Sing, "Horn high"}} {
		s, _ = wished(s, "6 w")
		if s.Stage != want.stage || s.voice().Name != want.layer || s.News == "" {
			t.Errorf("need %d: stage %s, layer %s, %q", i, s.Stage.Word(), s.voice().Name, s.News)
		}
		s.run = run{}
	}
	s = stageOf(t, Bounce)
	s.sheet.Needs = s.sheet.Needs[:1]
	if s, _ = wished(s, "w"); s.Stage != Bounce || s.News != "nothing is open" {
		t.Errorf("all is met: stage %s, %q", s.Stage.Word(), s.News)
	}
}

// The list before a bounce listens to what was not heard yet; writing the stem
// does not wait for that.
func TestTheStemDoesNotWaitForTheList(t *testing.T) {
	s := stageOf(t, Mix)
	for i := range s.sheet.layers {
		s.sheet.layers[i].Judged = false
	}
	s.ready = true
	s, got := wished(s, "6")
	if len(got) != 1 || got[0].Do != DoCheck {
		t.Fatalf("Bounce wishes for %+v", got)
	}
	s.run = run{wish: got[0]}
	s, got = wished(s, "enter")
	if len(got) != 0 || !s.run.stopping || s.next == nil || s.next.Do != DoBounce {
		t.Errorf("enter while it listens: %+v, stopping %v, next %+v", got, s.run.stopping, s.next)
	}
}

// A run that is under way is not doubled; readying pictures gives way in turn.
func TestOneRunAtATime(t *testing.T) {
	s, got := wished(stageOf(t, Bounce), "enter")
	s = s.begun(got[0])
	if s, got = wished(s, "enter"); len(got) != 0 || s.News == "" {
		t.Errorf("%v, %q", got, s.News)
	}
	if s = s.press("esc"); !s.run.stopping {
		t.Error("esc does not stop it")
	}
	if s = s.end(Outcome{}, nil); s.News != "" {
		t.Errorf("after the stop it still says %q", s.News)
	}
	s = stageOf(t, Spot).begun(Wish{Do: DoReady})
	if s, _ = wished(s, "space"); s.next == nil || s.next.Do != DoPlay || s.run.stopping {
		t.Errorf("next %v, stopping %v", s.next, s.run.stopping)
	}
	s = stageOf(t, Spot).begun(Wish{Do: DoReady}).hear(Told{Done: 1, Total: 9000}) // pictures are being made: that can wait
	if s, _ = wished(s, "space"); s.next == nil || !s.run.stopping {
		t.Errorf("next %v, stopping %v", s.next, s.run.stopping)
	}
	s = s.end(Outcome{}, nil)
	s.next = nil
	s = s.begun(Wish{Do: DoPlay}).end(Outcome{}, nil)
	if len(s.wishes) != 1 || s.wishes[0].Do != DoReady {
		t.Errorf("the pictures are forgotten: %v", s.wishes)
	}
}

// A take that was just sung is the one that keys are about.
func TestTheNewestTakeIsChosen(t *testing.T) {
	s := stageOf(t, Sing)
	s = s.begun(Wish{Do: DoSing}).end(Outcome{Changed: true}, nil)
	m := harbour()
	m.Layers[0].Takes = append(m.Layers[0].Takes, Take{ID: "004"})
	sh, err := newSheet(m)
	if err != nil {
		t.Fatal(err)
	}
	if s = s.withSheet(sh); s.chosenTake().ID != "004" {
		t.Errorf("take %s is chosen", s.chosenTake().ID)
	}
}

// The peak stands for a second and a half and the bar falls 20 dB a second
// (common practice), by the timeline's own time.
func TestHolding(t *testing.T) {
	h := holding{DB: meterFloorDB, PeakDB: meterFloorDB}
	h.see(-10, 0, 0, 48000)
	h.see(-60, 24_000, 24_000, 48000)
	if h.DB != -20 || h.PeakDB != -10 || h.Clipped {
		t.Errorf("half a second after: %+v", h)
	}
	h.see(-30, 72_001, 48_001, 48000)
	if h.PeakDB != -30 || h.DB > -29.9 || h.DB < -40 {
		t.Errorf("after the hold: %+v", h)
	}
	h.see(0, 73_000, 0, 48000)
	if !h.Clipped {
		t.Error("full scale is no clipping")
	}
}

// What is heard of a pass is drawn; another pass begins anew.
func TestLivePitchOfEachPass(t *testing.T) {
	s := stageOf(t, Sing).begun(Wish{Do: DoSing})
	s = s.hear(Told{Moving: true, Voice: []Reading{{Sample: 10}, {Sample: 20}}})
	s = s.hear(Told{Moving: true, Voice: []Reading{{Sample: 30}}})
	if len(s.live) != 3 {
		t.Fatalf("%d readings", len(s.live))
	}
	if s = s.hear(Told{Moving: true, Voice: []Reading{{Sample: 5}}}); len(s.live) != 1 {
		t.Errorf("%d readings after the pass", len(s.live))
	}
}

// A caution stands until a key is pressed, which does nothing else.
func TestANoticeIsReadFirst(t *testing.T) {
	s := stageOf(t, Spot).outcome(Outcome{Notice: []string{"turn it down"}}, nil)
	if !strings.Contains(View(s).String(), "turn it down") {
		t.Error("it is not shown")
	}
	s, got := wished(s, "m")
	if len(got) != 0 || strings.Contains(View(s).String(), "turn it down") {
		t.Errorf("after a key: %v", got)
	}
}
