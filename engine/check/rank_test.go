package check

import (
	"math"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

// tiring is a layer of four-beat bars sung in one breath from bar 9 to bar 12,
// whose long last note is low and sinks.
func tiring(cents, glide float64) Heard {
	const sr, beat = 48000, 26000
	keys := map[int][]float64{1: {57, 59, 60, 62}, 2: {64, 62, 60, 59}, 3: {57, 59, 60, 57}, 9: {57, 59, 60, 62}, 10: {64, 65, 67, 65}, 11: {64, 62, 60, 62}}
	var targets []Target
	var notes []singer.Note
	add := func(bar, beats, length int, key float64) {
		at := int64(sr + ((bar-1)*4+beats)*beat)
		targets = append(targets, Target{Start: at, End: at + int64(length*beat), Key: key, Bar: bar, Beat: string(rune('1' + beats)), Name: keyName(key)})
		notes = append(notes, singer.Note{Start: at, Length: int64(length*beat) - 2500, Key: key, Vowel: "a"})
	}
	for bar := 1; bar <= 11; bar++ {
		for i, k := range keys[bar] {
			add(bar, i, 1, k)
		}
	}
	add(12, 0, 4, 64)
	last := &notes[len(notes)-1]
	last.Key += (cents - glide/2) / 100
	last.GlideCents = glide
	v := singer.Voice{Seed: 4, SampleRate: sr, NoiseDB: -60, Breath: 0.03, JitterCents: 2}
	r, err := Layer(Input{Samples: v.Sing(notes, 0, 52*beat+2*sr), SampleRate: sr, Rate: timecode.Rate24, Targets: targets})
	if err != nil {
		panic(err)
	}
	return Heard{Name: "alto", Targets: targets, Report: r}
}

func TestFixInASingersWords(t *testing.T) {
	leaveOutUnderRace(t)
	fixes := Rank([]Heard{tiring(-34, -40)}, Harmony{}, betweenAt)
	if len(fixes) != 1 {
		t.Fatalf("%+v", fixes)
	}
	f := fixes[0]
	t.Log(f.Words)
	if !strings.HasPrefix(f.Words, "bar 12, the long E: 3") || !strings.HasSuffix(f.Words, " cents flat and sinking; breathe before bar 11") {
		t.Errorf("%q", f.Words)
	}
	if f.FromBar != 11 || f.ToBar != 12 || f.Gain < 0.9 {
		t.Errorf("%+v", f)
	}
	// as flat but steady: nothing of breath
	f = Rank([]Heard{tiring(-34, 0)}, Harmony{}, betweenAt)[0]
	if strings.Contains(f.Words, "sinking") || strings.Contains(f.Words, "breathe") || f.FromBar != 12 {
		t.Errorf("%q from bar %d", f.Words, f.FromBar)
	}
	if fixes := Rank([]Heard{tiring(0, 0)}, Harmony{}, betweenAt); len(fixes) != 0 {
		t.Errorf("a clean layer: %+v", fixes)
	}
}

// What a fix is said to gain is what is gained when it is done: the notes are
// put right, everything is weighed anew, and the sum falls by that share.
func TestGainIsWhatIsGained(t *testing.T) {
	keys := []float64{57, 60, 64, 62, 60, 59, 57, 55, 57, 60, 64, 62}
	up := func(by float64) (out []float64) {
		for _, k := range keys {
			out = append(out, k+by)
		}
		return out
	}
	wrong := map[int]float64{2: -45, 7: 38}
	flawed := func(mended int) []Heard {
		alto := heardLayer("alto", keys, func(i int) float64 {
			if i == mended {
				return 3
			}
			return 3 + wrong[i]
		}, only(10, 95))
		if mended == 10 {
			alto = heardLayer("alto", keys, func(i int) float64 { return 3 + wrong[i] }, zero)
		}
		layers := []Heard{alto, heardLayer("tenor", up(-5), func(i int) float64 { return 4*float64(i%3) - 4 }, zero), heardLayer("bass", up(-12), only(5, 20), zero)}
		for i, c := range wrong {
			if i == mended {
				continue
			}
			kind := Flat
			if c > 0 {
				kind = Sharp
			}
			layers[0].Report.Findings = append(layers[0].Report.Findings, Finding{Kind: kind, Note: i, Bar: 1 + i/4, Beat: "1", Sample: layers[0].Targets[i].Start, Cents: c, Severity: 2})
		}
		if mended != 10 {
			layers[0].Report.Findings = append(layers[0].Report.Findings, Finding{Kind: Late, Note: 10, Bar: 30, Beat: "1", Sample: layers[0].Targets[10].Start, Milliseconds: 95, Severity: 1.6})
		}
		return layers
	}
	weigh := func(layers []Heard) float64 {
		h, err := Between(layers, betweenAt)
		if err != nil {
			t.Fatal(err)
		}
		r := &ranking{layers: layers, h: h, o: betweenAt}
		r.tol = r.tol.Filled()
		r.weigh()
		return r.total
	}
	before := flawed(-1)
	h, err := Between(before, betweenAt)
	if err != nil {
		t.Fatal(err)
	}
	// notes 2 and 7 are in neighbouring bars: put them bars apart, to be fixes of their own
	for i := range before[0].Report.Findings {
		if f := &before[0].Report.Findings[i]; f.Note == 7 {
			f.Bar = 15
		}
	}
	fixes := Rank(before, h, betweenAt)
	if len(fixes) != 3 {
		t.Fatalf("%d fixes: %+v", len(fixes), fixes)
	}
	total, sum := weigh(before), 0.0
	for _, f := range fixes {
		note := f.Findings[0].Note
		truth := (total - weigh(flawed(note))) / total
		t.Logf("note %d: said to gain %.3f, gains %.3f", note, f.Gain, truth)
		if math.Abs(f.Gain-truth) > 0.04 {
			t.Errorf("note %d is said to gain %.3f of the whole and gains %.3f", note, f.Gain, truth)
		}
		sum += f.Gain
	}
	if sum > 1 || !slices.IsSortedFunc(fixes, func(a, b Fix) int { return int(math.Copysign(1, b.Gain-a.Gain)) }) {
		t.Errorf("the gains sum to %.3f: %+v", sum, fixes)
	}
}

// Findings bars apart are punches of their own, neighbours are one; a layer
// that is late as a whole is one fix beside them.
func TestFixesAreGathered(t *testing.T) {
	l := heardLayer("alto", make60(20), zero, zero)
	at := func(kind Kind, note int) Finding {
		g := l.Targets[note]
		return Finding{Kind: kind, Note: note, Bar: g.Bar, Beat: g.Beat, Sample: g.Start, Cents: -50, Milliseconds: 90, Severity: 2, Words: "bar 1: words"}
	}
	l.Report.Findings = []Finding{at(Flat, 1), at(Late, 5), at(Missing, 18), {Kind: AllLate, Note: -1, Milliseconds: 90, Severity: 3, Words: "the whole layer is late"},
		{Kind: Clipping, Note: 19, Bar: 5, Sample: l.Targets[19].Start, Words: "bar 5: the sound is clipped"}}
	fixes := Rank([]Heard{l}, Harmony{}, betweenAt)
	var got []string
	for _, f := range fixes {
		got = append(got, f.Words)
	}
	slices.Sort(got)
	want := []string{
		"bar 1, the C on beat 2: 50 cents flat, a little higher; bar 2, the C on beat 2: 90 ms late, breathe sooner",
		"bar 5, the C on beat 3: not sung; the C on beat 4: the sound is clipped",
		"the whole layer is late",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if good, judged := Enough([]Heard{l}); good != 20 || judged != 20 {
		t.Errorf("%d of %d", good, judged)
	}
	l.Report.Notes[3].Cents, l.Report.Notes[4].Verdict, l.Report.Notes[5].Milliseconds = 31, VerdictNotJudged, 70
	if good, judged := Enough([]Heard{l}); good != 17 || judged != 19 {
		t.Errorf("%d of %d", good, judged)
	}
}

func make60(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 60
	}
	return out
}
