package beats

import (
	"math"

	"cuechoir/internal/dsp"
)

// smooth puts each beat on the line through its neighbours: least squares of
// the second degree, since tempos bend, with Cleveland's weights; a beat that
// was filled in counts for nothing.
func (m *mender) smooth() {
	for i := range m.beats {
		m.beats[i].line = m.lineAt(i)
		m.beats[i].end = m.beats[i].line
	}
}

func (m *mender) lineAt(i int) float64 {
	here := m.beats[i]
	var w [5]float64 // weighted sums of the powers of beat numbers from here
	var t [3]float64 // and of times from here by them
	n := 0
	for k := max(0, i-lineReach); k <= min(len(m.beats)-1, i+lineReach); k++ {
		b := m.beats[k]
		if b.filled || b.passage != here.passage {
			continue
		}
		n++
		d := float64(b.number - here.number)
		u := math.Abs(d) / (lineReach + 1)
		g := math.Pow(1-u*u*u, 3)
		for p := range w {
			w[p] += g
			if p < len(t) {
				t[p] += g * (b.at - here.at)
			}
			g *= d
		}
	}
	det3 := func(a, b, c [3]float64) float64 {
		return a[0]*(b[1]*c[2]-b[2]*c[1]) - a[1]*(b[0]*c[2]-b[2]*c[0]) + a[2]*(b[0]*c[1]-b[1]*c[0])
	}
	if n > 4 { // Cramer's rule for the value here
		rows := [3][3]float64{{w[0], w[1], w[2]}, {w[1], w[2], w[3]}, {w[2], w[3], w[4]}}
		det := det3(rows[0], rows[1], rows[2])
		for p := range rows {
			rows[p][0] = t[p]
		}
		return here.at + det3(rows[0], rows[1], rows[2])/det
	}
	if det := w[0]*w[2] - w[1]*w[1]; n > 1 && det > 1e-9 {
		return here.at + (t[0]*w[2]-t[1]*w[1])/det
	}
	return here.at // alone in its passage
}

// settleLateness finds the constant by which the beats meet the most onset
// strength, and moves them by it.
func (m *mender) settleLateness() {
	m.late = float64(m.o.LateSamples) / m.rate
	if m.onsets != nil && !m.o.KeepLate {
		m.late += m.lateness()
	}
	if math.Abs(m.late) < 0.0005 {
		m.late = 0
		return
	}
	m.note(Late, m.beats[0].at, -m.late, "all taps were %+.0f ms late: taken off", 1000*m.late)
	for i := range m.beats {
		m.beats[i].line -= m.late
		m.beats[i].end = m.beats[i].line
	}
}

func (m *mender) lateness() float64 {
	gaps := make([]float64, 0, len(m.beats))
	for i := 1; i < len(m.beats); i++ {
		gaps = append(gaps, m.beats[i].line-m.beats[i-1].line)
	}
	usual := dsp.Median(gaps)
	const step = 0.002
	var sums []float64
	from := max(earliest, -0.4*usual)
	for late := from; late <= min(latest, 0.4*usual); late += step {
		sum := 0.0
		for _, b := range m.beats {
			sum += min(at(m.onsets.all, (b.line-m.late-late)*m.onsets.rate), 3)
		}
		x := late / lateSpread
		sums = append(sums, sum/float64(len(m.beats))-0.05*x*x)
	}
	sums = smooth(sums, 0.012/step)
	best := 0
	for i, v := range sums {
		if v > sums[best] {
			best = i
		}
	}
	if len(sums) == 0 || sums[best] < 0.3 {
		return 0 // the taps meet nothing, wherever they are moved
	}
	return from + step*float64(best)
}

const lateSpread = 0.12 // seconds: how late a person usually is, from memory

// place is where a beat may come to stand, and what that costs.
type place struct {
	at   float64
	cost float64
	from int // the place of the beat before on the best way
	sum  float64
	pull bool
}

// pull moves beats to what plainly begins near them. A place costs the square
// of its way from the line, a step the square of its difference from the
// line's; what begins there pays.
func (m *mender) pull() {
	if m.onsets == nil {
		return
	}
	var rows [][]place
	for i, b := range m.beats {
		row := m.places(b.line)
		if i > 0 {
			m.join(rows[i-1], row, b.line-m.beats[i-1].line)
		}
		rows = append(rows, row)
	}
	k := 0
	for i := len(rows) - 1; i >= 0; i-- {
		if i == len(rows)-1 {
			for j, p := range rows[i] {
				if p.sum < rows[i][k].sum {
					k = j
				}
			}
		}
		p := rows[i][k]
		m.beats[i].end, m.beats[i].pulled = p.at, p.pull
		k = p.from
	}
}

func (m *mender) places(line float64) []place {
	row := []place{{at: line}}
	o := m.onsets
	lo, hi := int((line-pullSeconds)*o.rate), int((line+pullSeconds)*o.rate)+1
	for t := max(1, lo); t <= min(hi, len(o.all)-2); t++ {
		if v := o.all[t]; v >= strongOnset && v >= o.all[t-1] && v > o.all[t+1] {
			s := o.exact(t)
			d := (s - line) / pullJitter
			row = append(row, place{at: s, cost: 0.5*d*d - min(v, 4), pull: true})
		}
	}
	for i := range row {
		row[i].sum = row[i].cost
	}
	return row
}

func (m *mender) join(before, row []place, interval float64) {
	for i := range row {
		best := math.Inf(1)
		for k, p := range before {
			d := (row[i].at - p.at - interval) / pullInterval
			if c := p.sum + 0.5*d*d; c < best {
				best, row[i].from = c, k
			}
		}
		row[i].sum = best + row[i].cost
	}
}
