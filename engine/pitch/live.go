package pitch

import (
	"math"

	"cuechoir/internal/fault"
)

// Live reads the pitch while the sound comes in: the same reading as Track's,
// but of what has been heard so far. It is for one goroutine beside the audio
// callback, never for the callback itself.
//
// Method: Track's band by filters that run forward alone; Track's candidates;
// the path goes forward alone, so that a frame is given at once and never taken
// back; noise and loud level are followed instead of looked up.
//
// Cost: BenchmarkLive; no allocation after NewLive while dst holds what Push
// appends. A reading is given Lag after its sample, 22 ms for the usual range.
//
// Known failure: what Track mends by looking ahead: a click can be voice for a
// frame or two, and the first reading of a note may be off.
type Live struct {
	o       Options
	b       *band // its rates alone
	fir     []float32
	in      history
	y, low  history
	slope   []float32
	high    onward
	tilt    [2]float32
	tiltBy  float32
	d       *difference
	oct     *octaves
	fine    *refiner
	row     [2][]state
	reach   int // samples of y on either side of a reading
	outputs int64
	frames  int64
	levels  followed
}

// history is the newest part of a row of samples; from is the index of the
// first that is kept. Before index 0 there are zeros.
type history struct {
	v    []float32
	from int64
}

func newHistory(keep, more int) history {
	return history{v: make([]float32, keep, 4*keep+more), from: int64(-keep)}
}

func (h *history) end() int64 { return h.from + int64(len(h.v)) }

// drop forgets what lies before an index, when room is needed.
func (h *history) drop(before int64, room int) {
	if n := int(min(before, h.end()) - h.from); n > 0 && len(h.v)+room > cap(h.v) {
		h.v = h.v[:copy(h.v, h.v[n:])]
		h.from += int64(n)
	}
}

// span is what is kept from an index on.
func (h *history) span(from int64, n int) []float32 {
	at := int(from - h.from)
	return h.v[at : at+n]
}

// followed are noise and loud levels, dB, as far as they are known.
type followed struct {
	floor, top, near             float64
	floorStep, topStep, nearStep float64 // a frame
}

const (
	liveBlock   = 1024 // samples taken in at a time
	firstFloor  = -75.0
	firstTop    = -50.0
	floorRise   = 1.0 // dB a second
	topFall     = 0.5
	nearFall    = 10.0
	liveSpare   = 16 // samples of y beside the windows
	liveHistory = 2
)

// NewLive makes a reader of one voice; frame i of what Push gives is centred on
// sample i*HopSamples of what was pushed. Errors: as for Track.
func NewLive(sampleRate int, o Options) (*Live, error) {
	o, err := o.filled(sampleRate)
	if err != nil {
		return nil, err
	}
	b := newBand(sampleRate, o)
	d, err := newDifference(b.lowRate(), o)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), "the live pitch").Because(err)
	}
	half := firHalf * b.step
	l := &Live{o: o, b: b, d: d, fir: lowPass(highCutHz/float64(sampleRate), half), oct: &octaves{rate: b.rate},
		high: newOnward(lowCut * o.MinHz / b.rate), tiltBy: tiltShare(tiltHz / b.rate)}
	l.reach = (d.size/2 + 1) * b.lowStep
	keep := l.reach + liveSpare
	l.in = newHistory(2*half+1, liveBlock)
	l.y, l.low = newHistory(liveHistory*keep, liveBlock), newHistory(liveHistory*keep, liveBlock)
	width := 2*keep + 1
	l.slope = make([]float32, width)
	l.fine = newRefiner(nil, l.slope, b.rate, o.MinHz)
	for half := range l.fine.windows {
		l.fine.window(half)
	}
	l.row[0], l.row[1] = make([]state, 0, maxCandidates+1), make([]state, 0, maxCandidates+1)
	l.row[0] = append(l.row[0], state{})
	hop := float64(o.HopSamples) / float64(sampleRate)
	l.levels = followed{firstFloor, firstTop, firstTop, floorRise * hop, topFall * hop, nearFall * hop}
	return l, nil
}

// Lag is how many samples after its own a reading is given.
func (l *Live) Lag() int { return (l.reach+liveSpare)*l.b.step + firHalf*l.b.step }

// Push takes in the next samples (mono, ±1.0 full scale; what is no number
// counts as silence) and appends the readings that are due to dst.
func (l *Live) Push(dst []Frame, x []float32) []Frame {
	for len(x) > 0 {
		n := min(len(x), liveBlock)
		l.take(x[:n])
		x = x[n:]
		for {
			sample := l.frames * int64(l.o.HopSamples)
			at := int64(math.Round(l.b.index(sample)))
			if l.y.end() <= at+int64(l.reach+liveSpare) {
				break
			}
			dst = append(dst, l.read(sample, at))
			l.frames++
		}
	}
	return dst
}

// take brings samples into the band.
func (l *Live) take(x []float32) {
	half := firHalf * l.b.step
	keep := int64(l.reach + liveSpare)
	l.in.drop(l.outputs*int64(l.b.step)-int64(half), len(x))
	l.in.v = append(l.in.v, x...)
	next := int64(math.Round(l.b.index(l.frames * int64(l.o.HopSamples)))) // the reading that is due
	l.y.drop(next-keep, liveBlock)
	l.low.drop((next-keep)/int64(l.b.lowStep), liveBlock)
	for ; l.outputs*int64(l.b.step)+int64(half) < l.in.end(); l.outputs++ {
		v := l.high.step(convolveAt(l.in.v, l.fir, int(l.outputs*int64(l.b.step)-l.in.from), half))
		l.y.v = append(l.y.v, v)
		l.tilt[0] += l.tiltBy * (v - l.tilt[0])
		l.tilt[1] += l.tiltBy * (l.tilt[0] - l.tilt[1])
		if l.outputs%int64(l.b.lowStep) == 0 {
			l.low.v = append(l.low.v, l.tilt[1])
		}
	}
}

// read gives the reading at a sample, which is index at of y.
func (l *Live) read(sample, at int64) Frame {
	keep := l.reach + liveSpare
	y := l.y.span(at-int64(keep), 2*keep+1)
	f := Frame{Sample: sample, LevelDB: levelAround(y, keep, int(math.Round(levelSeconds/2*l.b.rate)))}
	weight := l.levels.weigh(f.LevelDB)
	low := int64(math.Round(l.b.index(sample)/float64(l.b.lowStep))) - int64(l.d.size/2)
	l.d.of(l.low.span(low, l.d.size))
	dips := l.d.candidates()
	l.oct.settle(y, keep, dips)
	now, before := &l.row[(l.frames+1)%2], l.row[l.frames%2]
	*now = emit((*now)[:0], dips, weight)
	link(before, *now)
	best := cheapest(*now)
	least := (*now)[best].cost
	for k := range *now {
		(*now)[k].cost -= least // sums that grow for ever lose their ends
	}
	if best > 0 {
		s := (*now)[best]
		l.fine.y = y
		slopesInto(l.slope, y)
		f.Hz, f.Voiced, f.Confidence = l.fine.refine(float64(keep), s.hz), true, s.voiced
	}
	return f
}

// weigh takes in a level and says how far it lets a frame be voice.
func (f *followed) weigh(db float64) float64 {
	f.floor = min(db, f.floor+f.floorStep)
	f.top = max(db, f.top-f.topStep, firstTop)
	f.near = max(db, f.near-f.nearStep)
	return weigh(db, min(f.floor, f.top-floorCeiling), f.top, f.near)
}

// levelAround is the level of 2*half samples about an index, dB.
func levelAround(y []float32, at, half int) float64 {
	sum := 0.0
	for _, v := range y[at-half : at+half] {
		sum += float64(v) * float64(v)
	}
	return decibels(sum / float64(2*half))
}
