package track

import (
	"context"
	"slices"
	"testing"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// A punch keeps its span and the handles, each sample at its place, in each
// pass; the take marks the span.
func TestPunch(t *testing.T) {
	const from, to = -3000, 40_000
	for _, block := range []int{63, 480, 4096} {
		trip := max(1500, int64(block))
		for name, c := range map[string]struct {
			punch       Punch
			start, long int64
		}{
			"handles":     {Punch{In: 10_000, Out: 20_000, Handle: 2000}, 8000, 14_000},
			"none":        {Punch{In: 10_000, Out: 20_000}, 10_000, 10_000},
			"to the edge": {Punch{In: from, Out: to, Handle: 9000}, from - trip, to - from + trip},
		} {
			dir := t.TempDir()
			dev := &device.Virtual{PeriodFrames: block, LoopDelay: trip, LoopGain: 1}
			plan := Plan{SampleRate: 48000, From: from, To: to, Monitor: marks, RoundTrip: trip, Punch: c.punch}
			results, err := RecordPasses(context.Background(), dev, plan, 3, func(int) (*take.Writer, error) { return newTake(t, dir), nil }, nil)
			if err != nil || len(results) != 3 {
				t.Fatalf("%s, block %d: %d passes, %v", name, block, len(results), err)
			}
			for pass, res := range results {
				info, x := samplesOf(t, dir, res.Take.ID)
				in, out := info.Wanted()
				if info.Start != c.start || info.Frames != c.long || in != c.punch.In || out != c.punch.Out || info.Stopped != "" || res.Interrupted {
					t.Fatalf("%s, block %d, pass %d: %+v, wanted %d to %d; want from %d, %d samples", name, block, pass, info, in, out, c.start, c.long)
				}
				for i, v := range x {
					at := c.start + int64(i)
					if at < from+240 || at >= to { // the stream fades in; beyond lies the next pass
						continue
					}
					if want := mark(at); v != want {
						t.Fatalf("%s, block %d, pass %d: timeline sample %d is %v, want %v", name, block, pass, at, v, want)
					}
				}
			}
		}
	}
}

// Stopped inside the punch the take ends there; before it, there is none.
func TestPunchStopped(t *testing.T) {
	// The virtual device runs ahead of what is told by as much as its rings hold:
	// a punch that has not begun must be further off than that.
	for _, c := range []struct{ stop, in, out int64 }{{5000, 200_000, 390_000}, {15_000, 10_000, 200_000}} {
		dir := t.TempDir()
		ctx, cancel := context.WithCancel(context.Background())
		results, err := RecordPasses(ctx, &device.Virtual{}, Plan{SampleRate: 48000, To: 400_000, Monitor: marks, Punch: Punch{In: c.in, Out: c.out}}, 1,
			func(int) (*take.Writer, error) { return newTake(t, dir), nil },
			func(s Status) {
				if s.At >= c.stop {
					cancel()
				}
			})
		if c.stop < c.in {
			if list, _ := take.List(dir, "a"); fault.KindOf(err) != fault.Interrupted || len(list) != 0 {
				t.Errorf("before the punch: %v, %v", err, list)
			}
			continue
		}
		if err != nil || len(results) != 1 || !results[0].Interrupted {
			t.Fatalf("%+v %v", results, err)
		}
		if in, out := results[0].Take.Wanted(); in != 10_000 || out != results[0].Take.End() {
			t.Errorf("wanted %d to %d of %+v", in, out, results[0].Take)
		}
	}
}

// What was not heard is told in the take of its own pass, where it fell.
func TestPunchTellsWhatWasNotHeard(t *testing.T) {
	dir := t.TempDir()
	r := recorder{plan: Plan{From: 0, To: 10_000, RoundTrip: 1000, SampleRate: 48000, RoundTripKnown: take.Typed, Punch: Punch{In: 4000, Out: 6000}},
		span: 10_000, dev: &device.Virtual{}, passes: 2, inputs: []int{0}, ear: ownEar{done: true}, newTake: func(int) (*take.Writer, error) { return newTake(t, dir), nil },
		slip: func() device.Slip { return device.Slip{Slipped: true, Frames: -77} }}
	r.skip, r.keepLen = r.plan.kept()
	if err := r.open(0); err != nil {
		t.Fatal(err)
	}
	r.unheard(3900, 200)   // timeline 3900 to 4100: half of it lies in the take
	r.unheard(14_500, 100) // told before the second pass's take begins
	if err := r.keep(make([]float32, 21_000), 0, false); err != nil {
		t.Fatal(err)
	}
	if len(r.results) != 2 {
		t.Fatalf("%d results", len(r.results))
	}
	first, second := r.results[0].Take, r.results[1].Take
	if !slices.Equal(first.Unheard, []take.Dropout{{Sample: 0, Length: 100}}) || !slices.Equal(second.Unheard, []take.Dropout{{Sample: 500, Length: 100}}) {
		t.Errorf("unheard %v and %v", first.Unheard, second.Unheard)
	}
	if first.Slipped != -77 {
		t.Errorf("slipped %d", first.Slipped)
	}
}

func TestPunchesAreRefused(t *testing.T) {
	for _, k := range []Punch{{In: -1, Out: 10}, {In: 5, Out: 5}, {In: 0, Out: 48_001}, {In: 0, Out: 10, Handle: -1}, {In: 9, Out: 3}} {
		p := Plan{SampleRate: 48000, To: 48_000, Punch: k}
		if _, err := p.checked(&device.Virtual{}, 1); fault.KindOf(err) != fault.Usage {
			t.Errorf("%+v: %v", k, err)
		}
	}
}

// A loop is played over and over, joined on the sample.
func TestPlayLoops(t *testing.T) {
	for _, block := range []int{63, 480, 1024} {
		var heard []float32
		dev := &device.Virtual{PeriodFrames: block, OutChannels: 1, InChannels: -1, Listener: func(out []float32) { heard = append(heard, out...) }}
		played, err := Play(context.Background(), dev, Playback{SampleRate: 48000, From: 500, To: 7501, Passes: 4, Source: marks}, nil)
		if err != nil || played.Frames != 4*7001 || played.Passes != 4 {
			t.Fatalf("%+v %v", played, err)
		}
		for i := 240; i < 4*7001; i++ {
			if want := mark(500 + int64(i%7001)); heard[i] != want {
				t.Fatalf("block %d: sample %d is %v, want %v", block, i, heard[i], want)
			}
		}
	}
}
