package pitch

import (
	"math"
)

// Parts of a note that do not count for its centre.
const (
	skipStart     = 0.12 // seconds of scoop at most
	skipStartPart = 0.35 // of the note at most
	skipEnd       = 0.05
	skipEndPart   = 0.15
	fallDB        = 8.0   // a note is over when its last fall has gone so far
	fallSlope     = 50.0  // dB a second: a room of RT60 1.2 s
	firstSeconds  = 0.025 // the scoop is read over this
	minVibratoHz  = 3.5
	maxVibratoHz  = 9.0
	vibratoGrid   = 0.1
	vibratoShare  = 0.5 // of the variance it must explain
	leastVibrato  = 8.0 // cents, peak
	leastCycles   = 1.2
)

// measure reads a note from its span; false when too little of it is voiced.
func (s *segmenter) measure(sp span) (Note, bool) {
	lead := sp.from
	sp = s.trimTail(sp)
	n := sp.to - sp.from
	if float64(n)*s.hop < s.o.MinNoteSeconds*0.7 {
		return Note{}, false
	}
	from := sp.from + min(s.count(skipStart), int(skipStartPart*float64(n)))
	to := sp.to - min(s.count(skipEnd), int(skipEndPart*float64(n)))
	c := s.cents[from:to]
	note := Note{Onset: s.frames[sp.from].Sample, Offset: s.frames[sp.to-1].Sample}
	fit := fitSteady(c, s.hop)
	note.CentreCents, note.ErrorCents = fit.centre, fit.stderr
	note.VibratoHz, note.VibratoCents = fit.hz, fit.extent
	first := s.cents[sp.from:min(sp.to, sp.from+max(2, s.count(firstSeconds)))]
	note.ScoopCents = median(first) - note.CentreCents
	levels := make([]float64, 0, len(c))
	for i := from; i < to; i++ {
		note.Confidence += s.frames[i].Confidence
		levels = append(levels, s.frames[i].LevelDB)
	}
	note.Confidence *= fit.steadiness() / float64(len(c))
	note.LevelDB = median(levels)
	note.Murmur = s.voicedLead(lead, sp.from, note.CentreCents)
	return note, true
}

// voicedLead is where the sound on nearly the note's pitch begins, softer than
// the note, between the frames lead and from: a voiced consonant.
func (s *segmenter) voicedLead(lead, from int, centre float64) int64 {
	const near = 150.0 // cents
	k := from
	for k > lead && float64(from-k)*s.hop < leadSeconds && math.Abs(s.cents[k-1]-centre) < near {
		k--
	}
	return s.frames[k].Sample
}

// trimTail ends the span where the level has fallen for good, or begins its
// last steep fall: what rings on in a room is not the note.
func (s *segmenter) trimTail(sp span) span {
	levels := make([]float64, 0, sp.to-sp.from)
	for _, f := range s.frames[sp.from:sp.to] {
		levels = append(levels, f.LevelDB)
	}
	level := median(levels)
	low := level - endDropDB
	for sp.to > sp.from+1 && s.frames[sp.to-1].LevelDB < low {
		sp.to--
	}
	for sp.from < sp.to-1 && s.frames[sp.from].LevelDB < low {
		sp.from++
	}
	sp.to = max(s.lastFall(sp, level), sp.from+min(sp.to-sp.from, s.count(s.o.MinNoteSeconds)))
	return sp
}

// lastFall is the end of the last frame that lies near a level, when all after
// it is one steep fall; else the span's end.
func (s *segmenter) lastFall(sp span, level float64) int {
	last := sp.to - 1
	for last > sp.from && s.frames[last].LevelDB < level-fallDB {
		last--
	}
	fell := s.frames[last].LevelDB - s.frames[sp.to-1].LevelDB
	if fell < fallSlope*float64(sp.to-1-last)*s.hop {
		return sp.to
	}
	return last + 1
}

// steady is a note's pitch as centre + slope + one sinusoid.
type steady struct {
	centre, stderr, hz, extent, residual float64
	n                                    int
}

// steadiness scales the confidence down where the pitch scatters: a semitone
// of scatter leaves little to judge.
func (f steady) steadiness() float64 { return 1 / (1 + math.Pow(f.residual/60, 4)) }

// fitSteady fits c (cents, a value each hop seconds) by iteratively reweighted
// least squares (Huber weights): constant and slope, with a sinusoid of 3.5 to
// 9 Hz where it explains enough. A fit over part cycles does not lean to one
// side as a plain mean would.
func fitSteady(c []float64, hop float64) steady {
	out := steady{n: len(c), centre: median(c)}
	if len(c) < 4 {
		out.stderr, out.residual = 20, spread(c, out.centre)
		return out
	}
	length := float64(len(c)) * hop
	plain := newFit(c, hop, 0)
	best := plain
	if length*minVibratoHz >= leastCycles*0.7 {
		for hz := minVibratoHz; hz <= maxVibratoHz; hz += vibratoGrid {
			if length*hz < leastCycles {
				continue
			}
			if f := newFit(c, hop, hz); f.loss < best.loss {
				best = f
			}
		}
	}
	if best.hz > 0 && (best.loss > (1-vibratoShare)*plain.loss || best.extent() < leastVibrato || best.extent() > 250) {
		best = plain
	}
	best = best.robust(c, hop)
	out.hz, out.extent = best.hz, best.extent()
	out.residual = best.residual
	if best.hz > 0 {
		out.centre = best.coef[0]
	} else {
		out.centre = (best.coef[0] + out.centre) / 2 // the median holds against a bent end
	}
	// readings overlap: one in four counts as independent
	out.stderr = best.residual / math.Sqrt(math.Max(1, float64(len(c))/4))
	return out
}

func spread(c []float64, centre float64) float64 {
	sum := 0.0
	for _, v := range c {
		sum += math.Abs(v - centre)
	}
	return sum / math.Max(1, float64(len(c))) * 1.25
}

// fit is a least-squares fit of constant, slope and (hz > 0) cos and sin.
type fit struct {
	hz, loss, residual float64
	coef               [4]float64
	weights            []float64
}

func (f fit) extent() float64 {
	if f.hz == 0 {
		return 0
	}
	return math.Hypot(f.coef[2], f.coef[3])
}

func newFit(c []float64, hop, hz float64) fit {
	f := fit{hz: hz}
	f.solve(c, hop)
	return f
}

func (f *fit) basis(i, n int, hop float64) [4]float64 {
	t := (float64(i) - float64(n-1)/2) * hop
	b := [4]float64{1, t}
	if f.hz > 0 {
		b[2], b[3] = math.Cos(2*math.Pi*f.hz*t), math.Sin(2*math.Pi*f.hz*t)
	}
	return b
}

func (f *fit) solve(c []float64, hop float64) {
	terms := 2
	if f.hz > 0 {
		terms = 4
	}
	var m [4][5]float64
	ref := c[len(c)/2] // keeps the sums small
	for i, v := range c {
		w := 1.0
		if f.weights != nil {
			w = f.weights[i]
		}
		b := f.basis(i, len(c), hop)
		for r := range terms {
			for k := range terms {
				m[r][k] += w * b[r] * b[k]
			}
			m[r][4] += w * b[r] * (v - ref)
		}
	}
	f.coef = gauss(m, terms)
	f.coef[0] += ref
	f.loss = 0
	for i, v := range c {
		e := v - f.at(i, len(c), hop)
		f.loss += min(e*e, 100*100)
	}
	f.residual = math.Sqrt(f.loss / float64(len(c)))
}

func (f *fit) at(i, n int, hop float64) float64 {
	b := f.basis(i, n, hop)
	sum := 0.0
	for k := range b {
		sum += b[k] * f.coef[k]
	}
	return sum
}

// robust reweights by Huber's rule at 1.5 scaled median deviations.
func (f fit) robust(c []float64, hop float64) fit {
	f.weights = make([]float64, len(c))
	dev := make([]float64, len(c))
	for range 4 {
		for i, v := range c {
			dev[i] = math.Abs(v - f.at(i, len(c), hop))
		}
		limit := max(2, 1.5*1.4826*median(dev))
		for i := range dev {
			f.weights[i] = min(1, limit/max(dev[i], 1e-9))
		}
		f.solve(c, hop)
	}
	for i, v := range c {
		dev[i] = math.Abs(v - f.at(i, len(c), hop))
	}
	f.residual = 1.4826 * median(dev)
	return f
}

// gauss solves the first n rows of m (matrix and right side) with pivoting; a
// singular direction gets 0.
func gauss(m [4][5]float64, n int) (x [4]float64) {
	for k := range n {
		p := k
		for r := k + 1; r < n; r++ {
			if math.Abs(m[r][k]) > math.Abs(m[p][k]) {
				p = r
			}
		}
		m[k], m[p] = m[p], m[k]
		if math.Abs(m[k][k]) < 1e-12 {
			continue
		}
		for r := range n {
			if r == k {
				continue
			}
			g := m[r][k] / m[k][k]
			for j := k; j < 5; j++ {
				m[r][j] -= g * m[k][j]
			}
		}
	}
	for k := range n {
		if math.Abs(m[k][k]) >= 1e-12 {
			x[k] = m[k][4] / m[k][k]
		}
	}
	return x
}

// Measure reads the frames as one note, whatever their shape; Onset and Offset
// are the first and last voiced frame's. False when too little is voiced.
// sampleRate is that of the frames' samples.
func Measure(frames []Frame, sampleRate int) (Note, bool) {
	kept := make([]Frame, 0, len(frames))
	for _, f := range frames {
		if f.Voiced && f.Hz > 0 {
			kept = append(kept, f)
		}
	}
	if len(kept) < 4 || len(frames) < 2 {
		return Note{}, false
	}
	s := &segmenter{frames: kept, sampleRate: sampleRate, o: SegmentOptions{MinNoteSeconds: defaultMinNote},
		hop: float64(frames[1].Sample-frames[0].Sample) / float64(sampleRate)}
	s.cents = make([]float64, len(kept))
	for i, f := range kept {
		s.cents[i] = Cents(f.Hz)
	}
	n, ok := s.measure(span{from: 0, to: len(kept)})
	n.Attack, n.Murmur = n.Onset, n.Onset
	n.Confidence *= float64(len(kept)) / float64(len(frames))
	return n, ok
}
