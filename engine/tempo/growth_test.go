package tempo

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
)

// denseHits are twenty hits a minute, each fourth of them a must.
func denseHits(minutes int64, kind Lands) []Hit {
	r := rand.New(rand.NewPCG(21, 22))
	frames := map[int64]bool{}
	for int64(len(frames)) < 20*minutes {
		frames[r.Int64N(1440*minutes)] = true
	}
	var out []Hit
	for f := range frames {
		out = append(out, Hit{Frame: f, Tolerance: 1, Lands: kind})
	}
	slices.SortFunc(out, func(a, b Hit) int { return int(a.Frame - b.Frame) })
	for i := 0; i < len(out); i += 16 {
		out[i].Must = true
	}
	return out
}

// The time of a solve against the length of the reference, at one density of
// hits; x/2x is how much longer twice the length takes.
func BenchmarkSolveGrowth(b *testing.B) {
	for _, style := range []Style{Steady, Stepped, Gliding} {
		for _, kind := range []Lands{LandsBar, LandsHalf} {
			last := 0.0
			for _, minutes := range []int64{1, 2, 4, 8} {
				hits := denseHits(minutes, kind)
				b.Run(fmt.Sprintf("%s/%s/%dmin", style, kind, minutes), func(b *testing.B) {
					for b.Loop() {
						if out, err := Solve(context.Background(), hits, Options{Rate: timecode.Rate24, Frames: 1440 * minutes, Style: style}); len(out) == 0 {
							b.Fatal(err)
						}
					}
					now := float64(b.Elapsed()) / float64(b.N)
					if last > 0 {
						b.ReportMetric(now/last, "x/2x")
					}
					last = now
				})
			}
		}
	}
}
