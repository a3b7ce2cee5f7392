package tempo

import (
	"math"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// defaultTwoPopDB is common practice.
const defaultTwoPopDB = -20

// twoPopHz is the pop's pitch: common practice.
const twoPopHz = 1000

// TwoPop is where the pop lies: one frame long, two seconds of time code (48
// frames at 24 and at 24000/1001) before frame 0. Common practice.
func TwoPop(rate timecode.Rate, sampleRate int) (from, to int64) {
	k := -2 * rate.Nominal()
	return rate.SampleOf(k, sampleRate), rate.SampleOf(k+1, sampleRate)
}

// RenderTwoPop is the samples from..to of a timeline that holds the pop alone,
// at levelDB dBFS (0 is read as -20).
func RenderTwoPop(from, to int64, rate timecode.Rate, sampleRate int, levelDB float64) ([]float32, error) {
	if err := checkSpan(from, to, sampleRate); err != nil {
		return nil, err
	}
	if err := checkLevel(levelDB); err != nil {
		return nil, err
	}
	if levelDB == 0 {
		levelDB = defaultTwoPopDB
	}
	a, b := TwoPop(rate, sampleRate)
	pop := make([]float32, b-a)
	for i := range pop {
		pop[i] = float32(amplitude(levelDB) * math.Sin(2*math.Pi*twoPopHz*float64(i)/float64(sampleRate)))
	}
	out := make([]float32, to-from)
	addAt(out, pop, a-from)
	return out, nil
}

// checkSpan bounds a rendering to an hour.
func checkSpan(from, to int64, sampleRate int) error {
	if err := checkSampleRate(sampleRate); err != nil {
		return err
	}
	if to < from || to-from > 3600*int64(sampleRate) || to-from < 0 {
		return fault.New(fault.Usage, "samples %d to %d are not a span to render", from, to).Mended("render up to an hour at a time")
	}
	return nil
}

func checkSampleRate(sampleRate int) error {
	if sampleRate < 8000 || sampleRate > 192000 {
		return fault.New(fault.Usage, "a sample rate of %d Hz is out of range", sampleRate)
	}
	return nil
}

// addAt adds shape into out from index at, which may lie outside.
func addAt(out, shape []float32, at int64) {
	for i := max(0, -at); i < int64(len(shape)) && at+i < int64(len(out)); i++ {
		out[at+i] += shape[i]
	}
}

func amplitude(db float64) float64 { return math.Pow(10, db/20) }
