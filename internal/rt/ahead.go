package rt

// ahead turns the monitor down before a peak of it comes, so that not even the
// first half wave is flattened. What is heard waits in the ring long before it is
// due: looking ahead costs no delay, and the round trip stays as it is.
//
// Method: the gain that a frame needs, with the limiter's hold and release, is
// worked out aheadSeconds early; the least of it over the time ahead, and the mean
// of that over the time behind, falls in a straight line that is through when the
// peak comes, and is never above what any frame needs (Hämäläinen, «Smoothing of
// the Control Signal without Clipped Output in Digital Peak Limiters», DAFx-02,
// 2002; from memory).
// Known failure: what the feeder brings late, and the live input, are not seen
// ahead: the limiter without delay stands behind it. Peaks between the samples are
// not looked for: the ceiling leaves 1 dB for them.
type ahead struct {
	frames int // that are looked ahead
	need   limiter
	known  int64 // stream frames whose need is worked out, from 0 on
	needs  [aheadRoom]float32
	least  [aheadRoom]float32
	sum    float64 // of the last frames+1 least
	quiet  int     // frames worked out since the last that needed anything
}

const (
	aheadSeconds = 0.0015
	// aheadRoom holds a chunk and what is ahead of it; a power of two.
	aheadRoom      = 2048
	aheadMost      = 512 // frames: 1.5 ms at over 340 kHz
	aheadMask      = aheadRoom - 1
	aheadLeastSpan = 8
)

func (a *ahead) init(sampleRate int) {
	if sampleRate <= 0 {
		sampleRate = 48000
	}
	a.frames = min(max(int(aheadSeconds*float64(sampleRate)), aheadLeastSpan), aheadMost)
	a.need.init(sampleRate)
	for i := range a.least {
		a.needs[i], a.least[i] = 1, 1
	}
	a.sum = float64(a.frames + 1)
	a.quiet = 2 * aheadRoom
}

// learn takes in the largest absolute sample of the next frame.
func (a *ahead) learn(peak float32) {
	g := a.need.next(peak)
	a.needs[a.known&aheadMask] = g
	a.known++
	if a.quiet++; g < 1 {
		a.quiet = 0
	}
}

// gain is that of stream frame at. Call it for each frame in turn.
func (a *ahead) gain(at int64) float32 {
	if a.quiet > 3*a.frames+chunkFrames {
		if a.sum != float64(a.frames+1) { // rounding is over with the peak
			a.sum = float64(a.frames + 1)
			for i := range a.least {
				a.least[i] = 1
			}
		}
		return 1
	}
	least := float32(1)
	for j := at; j < min(at+int64(a.frames)+1, a.known); j++ {
		least = min(least, a.needs[j&aheadMask])
	}
	a.sum += float64(least) - float64(a.least[(at-int64(a.frames)-1)&aheadMask])
	a.least[at&aheadMask] = least
	return min(float32(a.sum/float64(a.frames+1)), 1)
}
