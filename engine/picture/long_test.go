package picture

import (
	"testing"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// TestDissolvesOfAnyLength: of shots that pan slowly, from a quarter of a second
// to four seconds, and of a second and a half at 60 pictures a second.
func TestDissolvesOfAnyLength(t *testing.T) {
	t.Parallel()
	for n, c := range []struct {
		rate   timecode.Rate
		frames int64
		within int64
	}{
		{timecode.Rate24, 6, 1}, {timecode.Rate24, 12, 1}, {timecode.Rate24, 24, 1}, {timecode.Rate24, 36, 1}, {timecode.Rate24, 46, 1},
		{timecode.Rate24, 56, 2}, {timecode.Rate24, 72, 2}, {timecode.Rate24, 90, 3}, {timecode.Rate{Num: 60, Den: 1}, 30, 2}, {timecode.Rate{Num: 60, Den: 1}, 90, 3},
	} {
		if underRace && n%4 != 1 {
			continue
		}
		for i := range 2 {
			slow := 24 * float64(c.rate.Den) / float64(c.rate.Num)
			a := scene{pic: texture(i), mean: 120, gain: 30, dx: slow * float64(i) * 0.9}
			z := scene{pic: texture(i + 5), mean: 100, gain: 28, dy: slow * float64(i) * 0.4}
			mix := ramp{kind: cutlist.Dissolve, frames: c.frames}
			cuts := foundAt(c.rate, []shot{{to: 90 + c.frames, scene: a, out: mix}, {from: 90, to: 180 + c.frames, scene: z, in: mix}})
			if len(cuts) != 1 || cuts[0].Kind != cutlist.Dissolve || abs(cuts[0].Frame-90) > c.within || abs(cuts[0].End-90-c.frames) > c.within {
				t.Errorf("%d frames at %v, shots %d: got %v, want 90 to %d", c.frames, c.rate, i, cuts, 90+c.frames)
			}
		}
	}
}

// TestFadesOfAnyLength: from under a second to three seconds, and of two seconds at
// 60 pictures a second; of a shot of little contrast, whose last third looks flat.
func TestFadesOfAnyLength(t *testing.T) {
	t.Parallel()
	fast := timecode.Rate{Num: 60, Den: 1}
	for k, c := range []struct {
		rate           timecode.Rate
		frames, within int64
	}{{timecode.Rate24, 20, 1}, {timecode.Rate24, 45, 1}, {timecode.Rate24, 72, 2}, {fast, 30, 2}, {fast, 120, 4}} {
		if underRace && k != 1 {
			continue
		}
		n := c.frames
		out, in := ramp{cutlist.FadeOut, n, 3}, ramp{cutlist.FadeIn, n, 3}
		s := scene{pic: texture(2), mean: 120, gain: 30, dx: 14.4 * float64(c.rate.Den) / float64(c.rate.Num)}
		cuts := foundAt(c.rate, []shot{{to: 60 + n, scene: s, out: out}, {from: 90 + n, to: 150 + 2*n, scene: s, in: in}})
		if len(cuts) != 2 || cuts[0].Kind != cutlist.FadeOut || cuts[1].Kind != cutlist.FadeIn ||
			max(abs(cuts[0].Frame-60), abs(cuts[0].End-60-n), abs(cuts[1].Frame-90-n), abs(cuts[1].End-90-2*n)) > c.within {
			t.Errorf("%d frames at %v: got %v, want fades from 60 and from %d", n, c.rate, cuts, 90+n)
		}
	}
}
