package job

import (
	"math"
	"strings"
	"testing"

	"cuechoir/internal/fault"
)

// goodFacts are of a score that nothing stands in the way of.
func goodFacts() ReadyFacts {
	t := -23.0
	return ReadyFacts{Frames: 240, Samples: 480480, Bars: 4, Hits: []ReadyHit{{"door", true, true}, {"lamp", false, true}}, CeilingDBTP: -1, TargetLUFS: &t,
		Layers: []ReadyLayer{{Name: "alto", Sung: true, Listened: true, Judged: 0.95}},
		Stem:   &StemFacts{Name: "the stem", Samples: 480480, SampleRate: 48000, ScoreRate: 48000, LUFS: -23.4, PeakDBTP: -1}}
}

// Each thing that is spoilt is the one line that is not done, and has a command.
func TestChecklistNamesWhatIsSpoilt(t *testing.T) {
	if n := InTheWayOf(Checklist(goodFacts())); n != 0 || ReadyVerdict(Checklist(goodFacts()), true) != nil {
		t.Fatalf("%d lines stand in the way of a good score", n)
	}
	for name, c := range map[string]struct {
		spoil func(*ReadyFacts)
		what  string
		stand Stand
	}{
		"no map":         {func(x *ReadyFacts) { x.Bars = 0 }, AskMap, InTheWay},
		"a must-hit":     {func(x *ReadyFacts) { x.Hits[0].Caught = false }, AskHits, InTheWay},
		"a want-hit":     {func(x *ReadyFacts) { x.Hits[1].Caught = false }, AskHits, Look},
		"not sung":       {func(x *ReadyFacts) { x.Layers = append(x.Layers, ReadyLayer{Name: "bass"}) }, AskLayers, InTheWay},
		"a take gone":    {func(x *ReadyFacts) { x.Layers[0].Broken = "it is gone" }, AskLayers, InTheWay},
		"muted":          {func(x *ReadyFacts) { x.Layers[0].Muted = true }, AskLayers, Look},
		"muted by group": {func(x *ReadyFacts) { x.Layers[0].Muted, x.Layers[0].MutedGroup = true, "choir" }, AskLayers, Look},
		"dropout":        {func(x *ReadyFacts) { x.Layers[0].Dropouts = 1 }, AskSound, InTheWay},
		"clipped":        {func(x *ReadyFacts) { x.Layers[0].Clipped = 2 }, AskSound, InTheWay},
		"flat":           {func(x *ReadyFacts) { x.Layers[0].OffTune = 1 }, AskTuning, InTheWay},
		"flat, mended":   {func(x *ReadyFacts) { x.Layers[0].OffTune, x.Layers[0].Mended = 1, true }, AskTuning, Look},
		"late":           {func(x *ReadyFacts) { x.Layers[0].OffTime = 1 }, AskTime, InTheWay},
		"unsure":         {func(x *ReadyFacts) { x.Layers[0].Unsure = 1 }, AskUnsure, Look},
		"hardly judged":  {func(x *ReadyFacts) { x.Layers[0].Judged = 0.49 }, AskUnsure, InTheWay},
		"no stem":        {func(x *ReadyFacts) { x.Stem = nil }, AskStem, InTheWay},
		"a broken stem":  {func(x *ReadyFacts) { x.Stem.Problem = "broken" }, AskStem, InTheWay},
		"an old stem":    {func(x *ReadyFacts) { x.Stem.Stale = true }, AskStem, InTheWay},
		"a sample short": {func(x *ReadyFacts) { x.Stem.Samples-- }, AskLength, InTheWay},
		"another rate":   {func(x *ReadyFacts) { x.Stem.SampleRate = 44100 }, AskLength, InTheWay},
		"too hot":        {func(x *ReadyFacts) { x.Stem.PeakDBTP = -0.9 }, AskPeak, InTheWay},
		"too quiet":      {func(x *ReadyFacts) { x.Stem.LUFS = -23.6 }, AskLoudness, InTheWay},
		"too loud":       {func(x *ReadyFacts) { x.Stem.LUFS = -22.4 }, AskLoudness, InTheWay},
		"silent":         {func(x *ReadyFacts) { x.Stem.LUFS = math.Inf(-1) }, AskLoudness, InTheWay},
	} {
		x := goodFacts()
		c.spoil(&x)
		met := false
		for _, l := range Checklist(x) {
			if l.Stand != Done && l.Command == "" || l.Stand == Done && l.Command != "" {
				t.Errorf("%s: %+v: a line has a command when it is not done, and only then", name, l)
			}
			met = met || l.What == c.what && l.Stand == c.stand
			if l.Stand == InTheWay && l.What != c.what && !(name == "no map" && l.What == AskHits) {
				t.Errorf("%s: also %+v", name, l)
			}
		}
		if !met {
			t.Errorf("%s: no line %s stands %s: %+v", name, c.what, c.stand, Checklist(x))
		}
		err := ReadyVerdict(Checklist(x), true)
		if (fault.KindOf(err) == fault.NotMet) != (c.stand == InTheWay) || err != nil && !strings.Contains(err.Error(), "in the way") {
			t.Errorf("%s: verdict %v", name, err)
		}
	}
}
