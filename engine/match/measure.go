package match

import "math"

// energies are sums of squares: the whole, then each band.
type energies struct {
	n   int64
	sum [len(Bands) + 1]float64
}

func (e *energies) add(v float64, bands [len(Bands)]float64) {
	e.n++
	e.sum[0] += v * v
	for b, w := range bands {
		e.sum[b+1] += w * w
	}
}

func (e energies) db(which int) float64 {
	return 10 * math.Log10(e.sum[which]/float64(max(1, e.n)))
}

type measured struct {
	curve []float64             // dBFS a window, no lower than -100
	bands [len(Bands)][]float64 // the same of each band
	rises []float64             // see rises
	shots []energies
}

const curveFloorDB = -100

func measure(x []float32, sampleRate, window int, spans []Span) measured {
	m := measured{shots: make([]energies, len(spans))}
	bank := newBank(sampleRate)
	var steps [len(Bands)][]float64
	var win, step energies
	perStep := stepOf(sampleRate)
	at := 0
	for i, sample := range x {
		v := float64(sample)
		if v-v != 0 { // not finite
			v = 0
		}
		bands := bank.split(v)
		for at < len(spans) && int64(i) >= spans[at].To {
			at++
		}
		step.add(v, bands)
		if step.n == int64(perStep) || i == len(x)-1 {
			for b := range steps {
				steps[b] = append(steps[b], step.sum[b+1]/float64(step.n))
			}
			step = energies{}
		}
		if at < len(spans) && int64(i) >= spans[at].From {
			m.shots[at].add(v, bands)
		}
		if win.add(v, bands); win.n == int64(window) || i == len(x)-1 {
			m.curve = append(m.curve, max(curveFloorDB, win.db(0)))
			for b := range Bands {
				m.bands[b] = append(m.bands[b], max(curveFloorDB, win.db(b+1)))
			}
			win = energies{}
		}
	}
	m.rises = rises(steps)
	return m
}

// section is a second-order filter, transposed direct form 2.
type section struct{ b0, b1, b2, a1, a2, z1, z2 float64 }

func (s *section) next(v float64) float64 {
	y := s.b0*v + s.z1
	s.z1 = s.b1*v - s.a1*y + s.z2 + 1e-20 // no denormals
	s.z2 = s.b2*v - s.a2*y
	return y
}

func butterworth(hz float64, sampleRate int, high bool) section {
	w := 2 * math.Pi * hz / float64(sampleRate)
	cos, alpha := math.Cos(w), math.Sin(w)/math.Sqrt2
	a0 := 1 + alpha
	side, mid := (1-cos)/2, 1-cos
	if high {
		side, mid = (1+cos)/2, -(1 + cos)
	}
	return section{b0: side / a0, b1: mid / a0, b2: side / a0, a1: -2 * cos / a0, a2: (1 - alpha) / a0}
}

type bank [len(Bands)][]section

func newBank(sampleRate int) *bank {
	var k bank
	for b := range k {
		if b > 0 {
			s := butterworth(edges[b-1], sampleRate, true)
			k[b] = append(k[b], s, s)
		}
		if b < len(edges) {
			s := butterworth(edges[b], sampleRate, false)
			k[b] = append(k[b], s, s)
		}
	}
	return &k
}

func (k *bank) split(v float64) (out [len(Bands)]float64) {
	for b := range k {
		w := v
		for i := range k[b] {
			w = k[b][i].next(w)
		}
		out[b] = w
	}
	return out
}
