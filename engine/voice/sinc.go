package voice

import (
	"math"
	"sync"

	"cuechoir/internal/dsp"
)

// Reading between samples: a windowed sinc of 16 taps (Kaiser), flat within
// 0.1 dB up to 15 kHz at 48 kHz; Smith, «Digital Audio Resampling Home Page».
const (
	taps     = 16
	sincRows = 512
	sincBeta = 6.0
	// A sound read faster is low-passed first, in steps of a twelfth of an
	// octave.
	sincSteps = 12
)

// sinc is rows of taps: row p reads p/sincRows of a sample behind tap 7.
type sinc struct {
	rows [sincRows + 1][taps]float32
}

// sincCache holds the rows, which are the same for all: they are made once a
// step of pace.
var sincCache sync.Map

// sincFor gives rows for reading at a pace.
func sincFor(pace float64) *sinc {
	step := 0
	if pace > 1 {
		step = int(math.Ceil(sincSteps * math.Log2(pace)))
	}
	if s, ok := sincCache.Load(step); ok {
		return s.(*sinc)
	}
	cut := math.Exp2(-float64(step) / sincSteps)
	window := dsp.Kaiser(taps*sincRows+1, sincBeta)
	s := new(sinc)
	for p := range s.rows {
		sum := 0.0
		var row [taps]float64
		for k := range row {
			t := float64(p)/sincRows + float64(taps/2-1-k) // behind tap k
			at := int(math.Round((t + taps/2) * sincRows))
			v := cut
			if t != 0 {
				v = math.Sin(math.Pi*cut*t) / (math.Pi * t)
			}
			row[k] = v * window[max(0, min(len(window)-1, at))]
			sum += row[k]
		}
		for k := range row {
			s.rows[p][k] = float32(row[k] / sum)
		}
	}
	sincCache.Store(step, s)
	return s
}

// nearest is the row for a fraction of a sample, 0 to 1.
func (s *sinc) nearest(f float64) *[taps]float32 { return &s.rows[int(f*sincRows+0.5)] }

// between writes the row between two.
func (s *sinc) between(dst *[taps]float32, f float64) {
	p := f * sincRows
	i := min(int(p), sincRows-1)
	g := float32(p - float64(i))
	a, b := &s.rows[i], &s.rows[i+1]
	for k := range dst {
		dst[k] = a[k] + float32(g*(b[k]-a[k]))
	}
}
