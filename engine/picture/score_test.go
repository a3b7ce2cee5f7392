package picture

import (
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"sync"
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
const endsWithin = 3

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

// class is a sort of film, and what the finder must reach on films of it.
type class struct {
	name       string
	look       look
	seeds      []uint64   // of the default run
	hard, soft float64    // least F1; 0 for none
	full       [2]float64 // the same in TestCutsInFull
}

var classes = []class{
	{"clean", look{}, []uint64{2, 3}, 0.97, 0.93, [2]float64{0.995, 0.93}},
	{"aged", look{damage: aged}, []uint64{11, 13}, 0.95, 0.93, [2]float64{0.98, 0.93}},
	{"clean flashes", look{flashes: true}, []uint64{21}, 0.95, 0.85, [2]float64{0.93, 0.90}},
	{"aged flashes", look{damage: aged, flashes: true}, []uint64{31}, 0.90, 0.80, [2]float64{0.96, 0.86}},
	{"quick", look{quick: true}, []uint64{41}, 0.90, 0, [2]float64{0.955, 0}},
	{"ruined", look{damage: ruined}, []uint64{51}, 0.90, 0.70, [2]float64{0.975, 0.84}},
}

// runFilms finds the cuts of a few films, counts, and lets a rival see the same
// frames.
func (c class) runFilms(t *testing.T, seeds []uint64, shots int, rival *rival) (hard, soft tally) {
	films, got := make([]*truthFilm, len(seeds)), make([][]cutlist.Cut, len(seeds))
	var wg sync.WaitGroup
	slots := make(chan bool, runtime.GOMAXPROCS(0))
	for i, seed := range seeds {
		wg.Go(func() {
			slots <- true
			defer func() { <-slots }()
			films[i] = newTruthFilm(seed, shots, c.look)
			d := NewDetector(timecode.Rate24)
			small, source := rival.watch(t, films[i])
			films[i].render(func(g Grey) { d.Push(g); small(g.Pix) }, source)
			got[i] = d.Finish()
		})
	}
	wg.Wait()
	for i, f := range films {
		for _, cut := range got[i] {
			if err := cut.Validate(f.frames); err != nil {
				t.Errorf("seed %d: %v", seeds[i], err)
			}
		}
		compare(t, seeds[i], f.cuts, got[i], &hard, &soft)
	}
	return hard, soft
}

// TestCuts holds the finder to a few made-up films of which every change is
// known. The bounds are a little below what is measured: they are to notice a
// loss. TestCutsInFull has the figures.
func TestCuts(t *testing.T) {
	t.Parallel()
	for _, c := range classes {
		t.Run(c.name, func(t *testing.T) {
			shots, least := 22, 8
			if underRace { // too few to judge by F1: that is for the run without
				c.seeds, shots, least, c.hard, c.soft = c.seeds[:1], 7, 2, 0, 0
			}
			hard, soft := c.runFilms(t, c.seeds, shots, nil)
			c.judge(t, hard, soft, c.hard, c.soft, least)
		})
	}
}

func (c class) judge(t *testing.T, hard, soft tally, leastHard, leastSoft float64, enough int) {
	t.Logf("hard cuts on the frame: %v; dissolves and fades within %d frames: %v", hard, endsWithin, soft)
	if hard.hit+hard.miss+soft.hit+soft.miss < enough {
		t.Fatal("too few transitions to judge")
	}
	if hard.f1() < leastHard {
		t.Errorf("hard cuts: F1 %.4f, want %.3f", hard.f1(), leastHard)
	}
	if soft.f1() < leastSoft {
		t.Errorf("dissolves and fades: F1 %.4f, want %.3f", soft.f1(), leastSoft)
	}
}

func TestNothingHappens(t *testing.T) {
	for name, draw := range map[string]func(k, i int) byte{
		"black":    func(k, i int) byte { return 2 },
		"one tone": func(k, i int) byte { return 128 },
		"flicker":  func(k, i int) byte { return byte(100 + 12*(k%2) + i%7*10) },
		"noise":    func(k, i int) byte { return byte((k*7919 + i*104729 ^ i*k*31) >> 3 & 31) },
	} {
		d := NewDetector(timecode.Rate25)
		pix := make([]byte, filmW*filmH)
		for k := range 60 {
			for i := range pix {
				pix[i] = draw(k, i)
			}
			d.Push(Grey{Index: int64(k), W: filmW, H: filmH, Pix: pix})
		}
		if cuts := d.Finish(); len(cuts) > 0 {
			t.Errorf("%s: %v", name, cuts)
		}
	}
	if cuts := NewDetector(timecode.Rate24).Finish(); len(cuts) > 0 {
		t.Errorf("no frames: %v", cuts)
	}
	one := NewDetector(timecode.Rate24)
	one.Push(Grey{W: 8, H: 8, Pix: make([]byte, 64)})
	if cuts := one.Finish(); len(cuts) > 0 {
		t.Errorf("one frame: %v", cuts)
	}
}

// TestAnySize: pictures of any shape that a decoder gives, of noise, of one tone
// and mixed, are taken without a slip, and give cuts that can stand.
func TestAnySize(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 42))
	for _, size := range [][2]int{{8, 8}, {96, 8}, {8, 72}, {10, 26}, {96, 40}} {
		w, h := size[0], size[1]
		a, b, pix := make([]byte, w*h), make([]byte, w*h), make([]byte, w*h)
		d := NewDetector(timecode.Rate{Num: 60, Den: 1})
		const frames = 400
		for k := range frames {
			if k%40 == 0 {
				copy(a, b)
				for i := range b {
					b[i] = byte(rng.IntN(256) * (rng.IntN(8) &^ (k / 40 % 2 * 7)) / 7)
				}
			}
			u := max(0, min(20, k%40-10))
			for i := range pix {
				pix[i] = byte((int(a[i])*(20-u) + int(b[i])*u) / 20)
			}
			d.Push(Grey{Index: int64(k), W: w, H: h, Pix: pix})
		}
		cuts := d.Finish()
		for _, c := range cuts {
			if err := c.Validate(frames); err != nil {
				t.Errorf("%d by %d: %v", w, h, err)
			}
		}
		if len(cuts) == 0 {
			t.Errorf("%d by %d: nothing found", w, h)
		}
	}
}

// BenchmarkDetector is a whole film of a dozen shots, by the frame: cameras and
// players that move, cuts, dissolves and fades.
func BenchmarkDetector(b *testing.B) {
	for _, c := range classes[:2] {
		b.Run(c.name, func(b *testing.B) {
			f := newTruthFilm(5, 12, c.look)
			var pix []byte
			f.render(func(g Grey) { pix = append(pix, g.Pix...) }, nil)
			const size = filmW * filmH
			for b.Loop() {
				d := NewDetector(timecode.Rate24)
				for k := range f.frames {
					d.Push(Grey{Index: k, W: filmW, H: filmH, Pix: pix[k*size:][:size]})
				}
				d.Finish()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(f.frames*int64(b.N)), "ns/frame")
		})
	}
}
