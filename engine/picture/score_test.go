package picture

import (
	"fmt"
	"os"
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
)

func TestMain(m *testing.M) {
	decoder.ServeIfAsked()
	os.Exit(m.Run())
}

// tally counts right, missed and false finds.
type tally struct{ hit, miss, wrong int }

func (t tally) f1() float64 {
	if t.hit == 0 {
		return 0
	}
	return 2 * float64(t.hit) / float64(2*t.hit+t.miss+t.wrong)
}

func (t tally) String() string {
	return fmt.Sprintf("F1 %.4f (%d right, %d missed, %d false)", t.f1(), t.hit, t.miss, t.wrong)
}

// endsWithin is how far the ends of a dissolve or fade may be off, in frames.
const endsWithin = 4

// compare counts hard cuts on the exact frame, and the others with both ends
// within endsWithin and of the right kind.
func compare(t *testing.T, seed uint64, truth, got []cutlist.Cut, hard, soft *tally) {
	used := make([]bool, len(got))
	for _, w := range truth {
		found := -1
		for i, g := range got {
			if !used[i] && g.Kind == w.Kind && abs(g.Frame-w.Frame) <= slackOf(w) && abs(g.End-w.End) <= slackOf(w) {
				found = i
				break
			}
		}
		ty := soft
		if w.Kind == cutlist.HardCut {
			ty = hard
		}
		if found < 0 {
			ty.miss++
			t.Logf("seed %d: missed %v", seed, w)
			continue
		}
		used[found] = true
		ty.hit++
	}
	for i, g := range got {
		if used[i] {
			continue
		}
		t.Logf("seed %d: false %v", seed, g)
		if g.Kind == cutlist.HardCut {
			hard.wrong++
		} else {
			soft.wrong++
		}
	}
}

func slackOf(c cutlist.Cut) int64 {
	if c.Kind == cutlist.HardCut {
		return 0
	}
	return endsWithin
}

func abs(n int64) int64 { return max(n, -n) }

// runTruth finds the cuts of a few films and counts.
func runTruth(t *testing.T, seeds []uint64, aged bool) (hard, soft tally) {
	for _, seed := range seeds {
		f := newTruthFilm(seed, 40, aged)
		d := NewDetector(timecode.Rate24)
		f.render(d.Push)
		got := d.Finish()
		for _, c := range got {
			if err := c.Validate(f.frames); err != nil {
				t.Errorf("seed %d: %v", seed, err)
			}
		}
		compare(t, seed, f.cuts, got, &hard, &soft)
	}
	return hard, soft
}

func TestCutsOfCleanFilm(t *testing.T) {
	hard, soft := runTruth(t, []uint64{1, 2, 3}, false)
	t.Logf("clean: hard cuts on the frame: %v; dissolves and fades: %v", hard, soft)
}

func TestCutsOfAgedFilm(t *testing.T) {
	hard, soft := runTruth(t, []uint64{11, 12, 13}, true)
	t.Logf("aged: hard cuts on the frame: %v; dissolves and fades: %v", hard, soft)
}
