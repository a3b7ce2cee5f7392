package mix

import (
	"math"

	"cuechoir/internal/dsp"
)

// Echo is the delay that sends share: the sound again and again, each time
// softer and duller, in the middle. Method: one delay line with a second-order
// Butterworth low-pass in its loop. Cost: 3 ns a sample.
type Echo struct {
	Milliseconds float64 // 1 to 4000, to the nearest sample; 0 is 350
	FeedbackDB   float64 // -60 to -1: each echo against the one before; 0 is -9
	LowPassHz    float64 // 200 up to 0.45 of the sample rate; 0 is 5000
	ReturnDB     float64 // -60 to 12
}

const (
	echoTime     = 350
	echoFeedback = -9
	echoHz       = 5000
)

func (e Echo) validate(rate int) error {
	return within("echo", bound{"ms", orDefault(e.Milliseconds, echoTime), 1, 4000}, bound{"feedback_db", orDefault(e.FeedbackDB, echoFeedback), -60, -1},
		bound{"low_pass_hz", orDefault(e.LowPassHz, echoHz), 200, 0.45 * float64(rate)}, bound{"return_db", e.ReturnDB, -60, 12})
}

// Processor makes one. It hears left alone and writes its echoes alone to both.
func (e Echo) Processor(sampleRate int) (Processor, error) {
	if err := e.validate(sampleRate); err != nil {
		return nil, err
	}
	c, err := dsp.ButterworthLowpass(2, orDefault(e.LowPassHz, echoHz), float64(sampleRate))
	if err != nil {
		return nil, err
	}
	length := int(math.Round(orDefault(e.Milliseconds, echoTime) / 1000 * float64(sampleRate)))
	return &echo{line: newLine(length), filter: dsp.NewCascade(c...), back: Gain(orDefault(e.FeedbackDB, echoFeedback)), out: Gain(e.ReturnDB)}, nil
}

type echo struct {
	line      line
	filter    dsp.Cascade
	back, out float64
	room      [echoPiece]float64
}

// echoPiece is how much of the line is worked on at a time; no more than its
// length, as it feeds itself.
const echoPiece = 256

func (e *echo) Process(left, right []float64) {
	for len(left) > 0 {
		n := min(len(left), echoPiece, len(e.line.x)-e.line.at)
		late := e.room[:n]
		old := e.line.x[e.line.at : e.line.at+n]
		copy(late, old)
		e.filter.Process(late)
		for i, v := range late {
			back := left[i] + float64(e.back*v)
			if math.Abs(back) < tinyLevel {
				back = 0
			}
			old[i] = back
			left[i] = e.out * v
		}
		if right != nil {
			copy(right, left[:n])
			right = right[n:]
		}
		if e.line.at += n; e.line.at == len(e.line.x) {
			e.line.at = 0
		}
		left = left[n:]
	}
}
