package beats

import (
	"math"
	"os"
	"testing"

	"cuechoir/internal/dsp"
)

var (
	manners = []string{"march", "ostinato", "waltz", "chorale", "sparse", "gallop"}
	paces   = []string{"sway", "walk", "slowing", "fermata"}
	dirts   = []string{"clean", "worn", "voiced"}
)

// pieces are n references over all manners, paces and dirts, half of them
// steady, of tempos from 60 to 168.
func pieces(seed uint64, n int) (ps []piece) {
	for i := range n {
		k := i / len(manners)
		p := piece{seed: seed + uint64(i), manner: manners[i%6], metre: []int{4, 4, 3, 4, 4, 4}[i%6], pace: "steady", dirt: dirts[(i+k+k/3)%3], seconds: 36}
		p.bpm = 60 + math.Mod(float64(i)*41.3+float64(seed)*7.7, 108)
		if (i+k)%2 == 1 {
			p.pace = paces[(i/2+k/4)%4]
		}
		if k%3 == 1 && p.manner == "march" {
			p.metre = 2
		}
		if k%3 == 1 && p.manner == "sparse" {
			p.metre = 3
		}
		ps = append(ps, p)
	}
	return ps
}

// fMeasure is 2·hits over found and true beats, a hit lying within 70 ms of a
// true beat, each counted once, the first five seconds left out (Davies,
// Degara and Plumbley, «Evaluation methods for musical audio beat tracking
// algorithms», 2009). median is the middle of the hits' lateness in seconds.
func fMeasure(found, truth []float64) (f, middle float64) {
	const skip, window = 5, 0.07
	cut := func(x []float64) []float64 {
		for len(x) > 0 && x[0] < skip {
			x = x[1:]
		}
		return x
	}
	found, truth = cut(found), cut(truth)
	var late []float64
	j := 0
	for _, b := range truth {
		for j < len(found) && found[j] < b-window {
			j++
		}
		if j < len(found) && found[j] <= b+window {
			late = append(late, found[j]-b)
			j++
		}
	}
	return 2 * float64(len(late)) / float64(max(1, len(found)+len(truth))), dsp.Median(late)
}

// tally adds figures by name.
type tally map[string][2]float64

func (m tally) add(name string, v float64) { m[name] = [2]float64{m[name][0] + v, m[name][1] + 1} }
func (m tally) mean(name string) float64   { return m[name][0] / max(1, m[name][1]) }

// wholeTable asks for all files in place of a few.
func wholeTable() bool { return os.Getenv("CUECHOIR_BEATS_TABLE") == "1" }

// The table of figures, with aubio's beside ours. Nine references of seeds
// from 20000 on, or sixty (wholeTable). The weights were sought on
// seeds 3000 to 9059.
func TestTable(t *testing.T) {
	n := 9
	if wholeTable() {
		n = 60
	}
	if underRace {
		n = 1
	}
	tool := aubio(t)
	sums := tally{}
	for _, p := range pieces(20000, n) {
		tableRow(t, p, tool, sums)
	}
	for _, pace := range []string{"steady", "rubato"} {
		for _, dirt := range append([]string{""}, dirts...) {
			k := pace + dirt
			if sums[k][1] > 0 {
				t.Logf("%s %s: F %.3f (aubio %.3f), bars where F > 0.9 %.3f, %g files", pace, dirt, sums.mean(k), sums.mean("aubio "+k), sums.mean("bars "+k), sums[k][1])
			}
		}
	}
	if f := sums.mean("steady"); f < 0.95 {
		t.Errorf("steady: F %.3f, want 0.95", f)
	}
	if f := sums.mean("rubato"); f < 0.85 && !underRace {
		t.Errorf("rubato: F %.3f, want 0.85", f)
	}
	if bars := (sums.mean("bars steady") + sums.mean("bars rubato")) / 2; bars < 0.85 && !underRace {
		t.Errorf("bars: F %.3f, want 0.85", bars)
	}
	if tool != "" && sums.mean("steady") <= sums.mean("aubio steady") {
		t.Error("aubio's tracker does better")
	}
}

func tableRow(t *testing.T, p piece, tool string, sums tally) {
	x, truth, bars := p.render()
	res := track(t, x, synthRate, Options{})
	var found, first, trueFirst []float64
	for _, b := range res.Beats {
		s := float64(b.Sample) / synthRate
		found = append(found, s)
		if b.Downbeat {
			first = append(first, s)
		}
	}
	for _, b := range bars {
		trueFirst = append(trueFirst, truth[min(b, len(truth)-1)])
	}
	f, late := fMeasure(found, truth)
	fBars, _ := fMeasure(first, trueFirst)
	theirs := math.NaN()
	if tool != "" {
		theirs, _ = fMeasure(aubioBeats(t, tool, x), truth)
	}
	t.Logf("%s: F %.3f (aubio %.3f), %+.0f ms, confidence %.2f, bars of %d %.3f, %.2f", p, f, theirs, 1000*late, res.Confidence, res.Metre, fBars, res.BarConfidence)
	pace := "rubato"
	if p.pace == "steady" {
		pace = "steady"
	}
	for _, k := range []string{pace, pace + p.dirt} {
		sums.add(k, f)
		if tool != "" {
			sums.add("aubio "+k, theirs)
		}
		if f > 0.9 {
			sums.add("bars "+k, fBars)
		}
	}
}
