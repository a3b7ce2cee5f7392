package pitch

import (
	"math"
	"slices"
)

// Aim: a run of voice begins and ends where the sound does. The difference
// function sees three periods at once, so a run is up to 15 ms too long at
// either end.
// Method: the short energy of the low band, which consonants hardly touch, is
// walked inward from either end until it comes near the level of the run there.
// Cost: a few sums a run.
// Known failure: in a room the tail sounds on, and is kept.
const (
	edgeReach  = 0.045 // seconds of a run whose level the edge is held against
	edgeMost   = 0.030 // no more than this is taken off
	edgeWindow = 0.0015
	edgeMore   = 1    // frames that a run may be lengthened by first
	edgeCents  = 80.0 // whose guess lies so near the run's pitch
	edgeTrust  = 0.25 // and who may be voice
	riseRange  = 34.0 // dB under that level where a voice has begun
	fallRange  = 34.0 // and where it has ended
	edgeFloor  = 1.0  // dB over the noise in the same band, where that is more
	edgeClear  = 18.0 // but never nearer to the level than this
)

type edges struct {
	sums  []float64 // running sums of squares of low, without pads
	rate  float64   // of low
	step  float64   // original samples a sample of low
	half  int
	floor float64 // mean square of the noise
}

func power(db float64) float64 { return math.Pow(10, db/10) }

func newEdges(b *band) *edges {
	low := b.low[b.pad : len(b.low)-b.pad]
	e := &edges{sums: runningSquares(low), rate: b.lowRate(), step: float64(b.step * b.lowStep),
		half: max(1, int(math.Round(edgeWindow*b.lowRate())))}
	wide := int(levelSeconds / 2 * e.rate)
	levels := make([]float64, 0, len(low)/wide+1)
	for k := 0; k < len(low); k += wide {
		levels = append(levels, e.mean(k, wide))
	}
	slices.Sort(levels)
	e.floor = levels[int(floorShare*float64(len(levels)-1))]
	return e
}

func (e *edges) mean(k, half int) float64 {
	n := len(e.sums) - 1
	from, to := max(0, min(n, k-half)), max(0, min(n, k+half+1))
	return max(0, e.sums[to]-e.sums[from]) / float64(2*half+1)
}

func (e *edges) at(sample int64) int { return int(math.Round(float64(sample) / e.step)) }

// extend gives a run its neighbours whose best guess goes on from it.
func (e *edges) extend(frames []Frame) {
	for i := 1; i < len(frames); i++ {
		if frames[i].Voiced && !frames[i-1].Voiced {
			for k := i - 1; k >= max(0, i-edgeMore) && goesOn(frames[k], frames[k+1]); k-- {
				frames[k].Voiced = true
			}
		}
		if !frames[i].Voiced && frames[i-1].Voiced {
			last := min(len(frames), i+edgeMore)
			for ; i < last && goesOn(frames[i], frames[i-1]); i++ {
				frames[i].Voiced = true
			}
		}
	}
}

func goesOn(f, voiced Frame) bool {
	return !f.Voiced && f.Confidence >= edgeTrust && math.Abs(1200*math.Log2(f.Hz/voiced.Hz)) < edgeCents
}

// trim takes from each run of voice the frames before its sound begins and
// after it has ended.
func (e *edges) trim(frames []Frame) {
	for i, j := range runsOfVoice(frames) {
		e.trimRun(frames[i:j])
	}
}

func (e *edges) trimRun(run []Frame) {
	first, last := e.at(run[0].Sample), e.at(run[len(run)-1].Sample)
	reach, most := int(edgeReach*e.rate), int(edgeMost*e.rate)
	need := func(from, to int, below float64) float64 { // as a mean square
		level := e.mean((from+to)/2, max(1, (to-from)/2))
		return max(level*power(-below), min(e.floor*power(edgeFloor), level*power(-edgeClear)))
	}
	least := need(first, min(last, first+reach), riseRange)
	k := first
	for k < min(last, first+most) && e.mean(k, e.half) < least {
		k++
	}
	for i := range run {
		if e.at(run[i].Sample) >= k {
			break
		}
		run[i].Voiced = false
	}
	least = need(max(first, last-reach), last, fallRange)
	k = last
	for k > max(first, last-most) && e.mean(k, e.half) < least {
		k--
	}
	for i := len(run) - 1; i >= 0 && e.at(run[i].Sample) > k; i-- {
		run[i].Voiced = false
	}
}
