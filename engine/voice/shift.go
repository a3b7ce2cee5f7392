package voice

import "math"

// Aim: a voice at another pitch, with its formants where they were or moved on
// their own, at another time, and everything that is not voice as it was.
// Method: pitch-synchronous overlap-add (Charpentier & Stella, ICASSP 1986;
// Moulines & Charpentier, Speech Communication 9, 1990). Around each mark lies
// a grain of two periods under a Hann window; grains are laid down again at
// the new period, which moves the partials and leaves each grain's spectrum,
// the formants, alone. Between two marks both their grains are laid, each for
// its part: one grain twice in a row would sound a lower pitch beside the new.
// A grain read faster moves its formants. What a grain's window smears of low
// partials is put right beside it (partials). Marks and places have fractions of a
// sample; grains are read by a windowed sinc. What is not voice is copied, and
// moved by WSOLA with its attacks left whole (Stretch).
// Cost: 16 products a sample of each grain; BenchmarkOctaveDown.
// Known failure: far down, a grain is shorter than the new period and its
// formants above 3 kHz ring off early; two voices at once are not told apart.

// Edits say what to do to a voice; the zero value changes nothing. Places are
// samples of the sound as sung, before it is moved.
type Edits struct {
	Cents    Curve  // the pitch goes up by so much; ±MaxCents
	Formants Curve  // the formants go up by so many cents; ±MaxFormantCents
	Moves    []Move // places that go elsewhere; both ends stay where they are
}

// widest is how much longer a grain becomes where its period does: a formant
// rings on for longer, which a window of two periods cuts short. Measured, a
// melody an octave down is nearest to the truly sung at 1.15 to 1.2.
const widest = 1.15

func wider(spread float64) float64 { return min(max(1, spread), widest) }

// Bounds of Edits.
const (
	MaxCents        = 3600.0
	MaxFormantCents = 1200.0
)

// Render is the sound with the edits made: as many samples as before. Where
// nothing is edited it is the sound bit by bit: a voiced stretch (from breath
// to breath) changes as a whole or not at all. Errors: Usage.
func (s *Sung) Render(e Edits) ([]float32, error) {
	if err := e.Cents.check("a shift in cents", MaxCents); err != nil {
		return nil, err
	}
	if err := e.Formants.check("a shift of formants in cents", MaxFormantCents); err != nil {
		return nil, err
	}
	out := make([]float32, len(s.x))
	if len(s.x) == 0 {
		return out, nil
	}
	w, err := newWarp(e.Moves, int64(len(s.x)))
	if err != nil {
		return nil, err
	}
	if err := s.move(out, w); err != nil {
		return nil, err
	}
	r := renderer{s: s, e: e, warp: w, out: out}
	for i := range s.runs {
		r.run(&s.runs[i])
	}
	return out, nil
}

// move fills out with the sound in its new places.
func (s *Sung) move(out []float32, w warp) error {
	copy(out, s.kept)
	if w.still() {
		return nil
	}
	st, err := newStretcher(s.kept, out, s.rate)
	if err != nil {
		return err
	}
	for i := 1; i < len(w); i++ {
		a, b := w[i-1], w[i]
		if b.From-b.To == int64(st.offset) {
			st.copyTo(int(b.To))
			continue
		}
		st.bridge(gap{lo: int(a.From), hi: int(b.From), end: int(b.To), offset: int(b.From - b.To)})
	}
	return nil
}

// renderer lays one run after the other into out.
type renderer struct {
	s     *Sung
	e     Edits
	warp  warp
	out   []float32
	voice []float64 // the run being made, from sample base on
	base  int
	sinc  *sinc
	pace  float64 // that sinc was made for
	row   [taps]float32
}

// run makes a voiced stretch anew, if anything changes in it.
func (r *renderer) run(v *run) {
	first, last := v.first(), v.last()
	idle := r.e.Cents.idle(first, last) && r.e.Formants.idle(first, last)
	if idle && r.warp.rigid(first, last) {
		return
	}
	at, end := r.warp.out(first), r.warp.out(last)
	lead, tail := v.marks[1]-first, last-v.marks[len(v.marks)-2]
	r.base = int(at) - int(4*lead) - 2
	r.voice = append(r.voice[:0], make([]float64, int(end)+int(4*tail)+3-r.base)...)
	var low *partials
	u, stop, before := at, at, lead
	for source := first; source <= last; source = r.warp.in(u) {
		i := v.nearest(source)
		step, spread, same := r.step(v, i, source)
		formant := math.Exp2(r.e.Formants.At(source) / 1200)
		j, part := i, 0.0
		if !same {
			j, part = v.between(source)
		}
		if !same || formant != 1 {
			if low == nil {
				low = newPartials(r.s, v, r.base, len(r.voice))
			}
			low.add(j, part, laid{u, before, step, spread, formant, wider(spread)})
		}
		r.grain(v, j, u, spread, formant, 1-part)
		if part > 0 {
			r.grain(v, j+1, u, spread, formant, part)
		}
		stop = u
		u += step
		before = step
	}
	if low != nil {
		low.finish(r.voice)
	}
	r.lay(at, stop, lead, tail)
}

// step is how far on the next grain lies, and how much longer than it was that
// is. Where nothing is edited grains lie as they did, marks with all their
// wobble, so that the sound is the same.
func (r *renderer) step(v *run, i int, source float64) (step, spread float64, same bool) {
	cents := r.e.Cents.At(source + r.s.period(v, source)/2) // that of the period that begins here
	if i+1 < len(v.marks) && cents == 0 && r.warp.rigid(v.marks[i], v.marks[i+1]) {
		return v.marks[i+1] - v.marks[i], 1, true
	}
	period := r.s.ahead(v, source, 1)
	spread = math.Exp2(-cents / 1200)
	return period * spread, spread, false
}

// lay puts the run into out: it comes in over lead samples before the first
// grain's middle and goes out over tail samples after the last one's, as the
// grains do.
func (r *renderer) lay(at, stop, lead, tail float64) {
	for i, y := range r.voice {
		n := r.base + i
		if n < 0 || n >= len(r.out) {
			continue
		}
		share := 1.0
		if d := at - float64(n); d > 0 {
			share = hann(d / lead)
		} else if d := float64(n) - stop; d > 0 {
			share = hann(d / tail)
		}
		r.out[n] = float32(float64(float64(r.out[n])*(1-share)) + y + r.s.mean*share)
	}
}

// hann falls from 1 at 0 to 0 at 1.
func hann(x float64) float64 {
	if x >= 1 {
		return 0
	}
	return 0.5 + 0.5*math.Cos(math.Pi*x)
}

// grain lays a part of the grain of mark i down with its middle at u. It keeps
// its power a second: spread is how much longer its period became, formant how
// much faster it is read.
func (r *renderer) grain(v *run, i int, u, spread, formant, part float64) {
	m := v.marks[i]
	left, right := 0.0, 0.0
	if i > 0 {
		left = m - v.marks[i-1]
	}
	if i+1 < len(v.marks) {
		right = v.marks[i+1] - m
	}
	if left == 0 {
		left = right
	}
	if right == 0 {
		right = left
	}
	if r.sinc == nil || r.pace != formant {
		r.sinc, r.pace = sincFor(formant), formant
	}
	wide := wider(spread)
	left, right = left*wide, right*wide
	gain := part * math.Sqrt(spread*formant)
	from, to := int(math.Ceil(u-left/formant)), int(math.Floor(u+right/formant))
	from, to = max(from, r.base), min(to, r.base+len(r.voice)-1)
	if from > to {
		return
	}
	// The windows are cosines that turn on by the same angle each sample.
	dst := r.voice[from-r.base : to-r.base+1]
	middle := max(0, min(len(dst), int(math.Floor(u))-from+1))
	r.half(dst[:middle], float64(from)-u, math.Pi*formant/left, m, formant, gain)
	r.half(dst[middle:], float64(from+middle)-u, math.Pi*formant/right, m, formant, gain)
}

// half adds a half of a grain; d is the first sample's distance from the
// grain's middle, turn the window's angle a sample.
func (r *renderer) half(dst []float64, d, turn, mark, formant, gain float64) {
	if len(dst) == 0 {
		return
	}
	sin, cos := math.Sincos(turn * d)
	ts, tc := math.Sincos(turn)
	at := mark + d*formant
	if formant == 1 {
		whole := int(math.Floor(at))
		r.sinc.between(&r.row, at-float64(whole))
		for k := range dst {
			dst[k] += gain * (0.5 + 0.5*cos) * r.s.read(&r.row, whole+k)
			sin, cos = sin*tc+cos*ts, cos*tc-sin*ts
		}
		return
	}
	for k := range dst {
		whole := int(math.Floor(at))
		dst[k] += gain * (0.5 + 0.5*cos) * r.s.read(r.sinc.nearest(at-float64(whole)), whole)
		sin, cos = sin*tc+cos*ts, cos*tc-sin*ts
		at += formant
	}
}

// read is the sound a little behind sample i, by a row of sinc.
func (s *Sung) read(row *[taps]float32, i int) float64 {
	from := i - taps/2 + 1
	if from < 0 || from+taps > len(s.x) {
		sum := float32(0)
		for k, c := range row {
			if j := from + k; j >= 0 && j < len(s.x) {
				sum += c * s.x[j]
			}
		}
		return float64(sum)
	}
	x := s.x[from : from+taps : from+taps]
	a := float32(row[0]*x[0]) + float32(row[1]*x[1]) + float32(row[2]*x[2]) + float32(row[3]*x[3])
	b := float32(row[4]*x[4]) + float32(row[5]*x[5]) + float32(row[6]*x[6]) + float32(row[7]*x[7])
	c := float32(row[8]*x[8]) + float32(row[9]*x[9]) + float32(row[10]*x[10]) + float32(row[11]*x[11])
	d := float32(row[12]*x[12]) + float32(row[13]*x[13]) + float32(row[14]*x[14]) + float32(row[15]*x[15])
	return float64((a + b) + (c + d))
}
