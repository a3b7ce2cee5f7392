package picture

import (
	"bytes"
	"context"
	"math"
	"math/big"
	"slices"
	"strconv"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// timing is what the packets of the picture say of time.
type timing struct {
	base      timecode.Ratio // seconds a tick
	rate      timecode.Rate
	packets   int64 // pictures that the file holds, those cut by an edit list left out
	variable  bool
	unclocked bool  // no packet has a time: pictures are counted
	end       int64 // tick at which the last picture ends
	hasEnd    bool
}

// maxPackets bounds the pictures of a file: 2 million are 9 hours at 60 a second.
const maxPackets = 2 << 20

// packetTimes are the ticks that the picture's packets carry, those cut by an
// edit list left out.
type packetTimes struct {
	shown   []int64 // when each is shown, of those that say it
	decoded []int64 // when each is decoded
	summed  []int64 // what the durations before each add up to
	packets int64
	end     int64 // at which the last picture ends
	hasEnd  bool
}

// readTiming lists the picture's packets, without decoding, and finds the rate
// that their timestamps keep. An AVI has a place in the file for each picture
// and no time at which it is shown: its first picture stands at its first
// place, however many more the decoder must see before it can show it.
func (r *reader) readTiming(ctx context.Context) error {
	if r.times.rate.Num != 0 {
		return nil // read already
	}
	base, ok := parseRational(r.video.TimeBase)
	if !ok {
		return fault.New(fault.Malformed, "its picture has no clock").In(r.path, "")
	}
	p, err := r.listPackets(ctx)
	if err != nil {
		return err
	}
	if r.form == "avi" && len(p.decoded) > 0 {
		r.begin = new(big.Rat).Mul(big.NewRat(p.decoded[0], 1), base.Rat())
	}
	t := p.timing(base, r.video)
	if err := t.rate.Validate(); err != nil {
		return fault.New(fault.Unsupported, "its frame rate cannot be found").In(r.path, "").Because(err).
			Mended("export it again at a constant rate, 24 or 25 frames a second say")
	}
	if tc := r.info.StartTimecode; len(tc) == 11 && tc[8] == ';' {
		if df := (timecode.Rate{Num: t.rate.Num, Den: t.rate.Den, Drop: true}); df.Validate() == nil {
			t.rate = df
		}
	}
	r.times = t
	r.info.Rate, r.info.VariableRate = t.rate, t.variable
	if t.variable {
		r.info.note("the frames do not come evenly; they are read at a constant %s frames a second, by their timestamps", t.rate)
	}
	return nil
}

func (r *reader) listPackets(ctx context.Context) (packetTimes, error) {
	var p packetTimes
	stored, sum := int64(0), int64(0)
	l := &packetLines{}
	l.each = func(at, dur int64, hasAt bool, discard bool) error {
		if stored++; stored > maxPackets {
			return fault.New(fault.OverLimit, "holds more than %d pictures", maxPackets).In(r.path, "")
		}
		if discard {
			return nil
		}
		p.packets++
		if l.hasDTS {
			p.decoded = append(p.decoded, l.dts)
		}
		if dur > 0 && sum < maxTick {
			p.summed = append(p.summed, sum)
			sum += dur
		}
		if hasAt {
			p.shown = append(p.shown, at)
			if dur > 0 && (!p.hasEnd || at+dur > p.end) {
				p.end, p.hasEnd = at+dur, true
			}
		}
		return nil
	}
	res, err := r.Run(ctx, decoder.Step{
		Tool: "ffprobe",
		Before: []string{"-select_streams", strconv.Itoa(r.video.Index),
			"-show_entries", "packet=pts,dts,duration,flags", "-of", "compact=p=0"},
		Stdout: l.write,
	})
	if r.form == "avi" && len(p.decoded) > 0 { // whose index counts pictures left out, which are no packets
		stored = max(stored, p.decoded[len(p.decoded)-1]+1)
	}
	if err == nil {
		err = r.cutShort(stored, res)
	}
	return p, err
}

// timing finds the rate. A program stream may say one time for several
// pictures: their decoding comes as evenly. A bare stream says none: the
// pictures are counted, and their durations give the rate.
func (p packetTimes) timing(base timecode.Ratio, s *probeStream) timing {
	t := timing{base: base, packets: p.packets, end: p.end, hasEnd: p.hasEnd, unclocked: len(p.shown) == 0 && len(p.decoded) == 0}
	times := p.shown
	enough := func(x []int64) bool { return int64(len(x)) >= p.packets*9/10 }
	switch {
	case enough(p.shown):
	case enough(p.decoded):
		times, t.hasEnd = p.decoded, false
	case t.unclocked && enough(p.summed):
		times = p.summed
	default: // the header decides
		t.rate, t.hasEnd = headerRate(s), false
		return t
	}
	slices.Sort(times)
	t.rate, t.variable = findRate(slices.Compact(times), base, s)
	return t
}

// packetLines reads "pts=1001|dts=1001|duration=1001|flags=K_" lines.
type packetLines struct {
	part   []byte
	dts    int64 // of the packet at hand
	hasDTS bool
	each   func(pts, duration int64, hasPTS, discard bool) error
}

func (l *packetLines) write(p []byte) error {
	l.part = append(l.part, p...)
	for {
		i := bytes.IndexByte(l.part, '\n')
		if i < 0 {
			if len(l.part) > 4096 {
				l.part = l.part[:0]
			}
			return nil
		}
		if err := l.line(l.part[:i]); err != nil {
			return err
		}
		l.part = append(l.part[:0], l.part[i+1:]...)
	}
}

func (l *packetLines) line(b []byte) error {
	var pts, dur int64
	var hasPTS, discard, any bool
	l.hasDTS = false
	for _, field := range bytes.Split(bytes.TrimSpace(b), []byte("|")) {
		k, v, _ := bytes.Cut(field, []byte("="))
		switch string(k) {
		case "pts":
			any = true
			if n, err := strconv.ParseInt(string(v), 10, 64); err == nil && n > -maxTick && n < maxTick {
				pts, hasPTS = n, true
			}
		case "dts":
			if n, err := strconv.ParseInt(string(v), 10, 64); err == nil && n > -maxTick && n < maxTick {
				l.dts, l.hasDTS = n, true
			}
		case "duration":
			if n, err := strconv.ParseInt(string(v), 10, 64); err == nil && n > 0 && n < maxTick {
				dur = n
			}
		case "flags":
			discard = bytes.ContainsRune(v, 'D')
		}
	}
	if !any {
		return nil
	}
	return l.each(pts, dur, hasPTS, discard)
}

// maxTick keeps sums of timestamps far from overflow.
const maxTick = 1 << 60

// standardRates are tried when the header's own do not fit the timestamps.
var standardRates = []timecode.Rate{
	timecode.Rate23976, timecode.Rate24, timecode.Rate25, timecode.Rate2997, timecode.Rate30,
	timecode.Rate48, timecode.Rate50, timecode.Rate5994, timecode.Rate60,
	{Num: 12, Den: 1}, {Num: 15, Den: 1}, {Num: 16, Den: 1}, {Num: 18, Den: 1}, {Num: 20, Den: 1},
	{Num: 12000, Den: 1001}, {Num: 15000, Den: 1001}, {Num: 100, Den: 1}, {Num: 120, Den: 1}, {Num: 120000, Den: 1001},
}

// findRate is the rate whose grid the sorted timestamps keep. When none is
// kept (variable) it is the rate of the commonest distance.
func findRate(pts []int64, base timecode.Ratio, s *probeStream) (rate timecode.Rate, variable bool) {
	if len(pts) < 2 {
		return headerRate(s), false
	}
	best, bestSpread := timecode.Rate{}, math.Inf(1)
	for _, c := range candidates(s) {
		spread, even := gridSpread(pts, base, c)
		// Rounding to the clock's ticks alone may spread by one tick; a rate
		// later in the list must be better by more than that.
		tick := base.Float() * c.Float()
		if even && spread < bestSpread-tick/2-1e-9 {
			best, bestSpread = c, spread
		}
	}
	if best.Num != 0 {
		return best, false
	}
	return commonRate(pts, base), true
}

// candidates are the header's rates, snapped first, then the standard ones.
func candidates(s *probeStream) []timecode.Rate {
	var list []timecode.Rate
	for _, text := range []string{s.RealRate, s.AverageRate} {
		if q, ok := parseRational(text); ok {
			for _, r := range []timecode.Rate{snap(q.Float()), {Num: q.Num, Den: q.Den}} {
				if r.Num != 0 && r.Validate() == nil {
					list = append(list, r)
				}
			}
		}
	}
	return append(list, standardRates...)
}

// snapTolerance is how far a rate may be from a standard one to be held for
// it: half the distance of 24 and 24000/1001 is 5e-4.
const snapTolerance = 2e-4

// snap is the standard rate at fps, or none.
func snap(fps float64) timecode.Rate {
	for _, r := range standardRates {
		if math.Abs(fps/r.Float()-1) < snapTolerance {
			return r
		}
	}
	return timecode.Rate{}
}

// gridSpread is how far, in frames, the timestamps stray from the grid of a
// rate, largest less smallest; even when each stands on its own place, in
// order, none left out.
func gridSpread(pts []int64, base timecode.Ratio, r timecode.Rate) (spread float64, even bool) {
	perTick := base.Float() * r.Float()
	lo, hi := 0.0, 0.0
	for k, p := range pts {
		off := float64(p-pts[0])*perTick - float64(k)
		lo, hi = min(lo, off), max(hi, off)
		if hi-lo >= 0.9 {
			return hi - lo, false
		}
	}
	return hi - lo, hi < 0.5 && lo > -0.5
}

// Bounds of commonRate: distances that count as the same, the longest over
// the shortest, and how far, by its logarithm, the next standard rate may be.
const (
	sameDistance = 1.12
	nearStandard = 0.06
)

// commonRate is the rate of the commonest distance of neighbours: the mean of
// the fullest window of like distances, held for the nearest standard rate or
// else for the nearest whole one. A phone in poor light doubles some distances
// and jitters all; a mean of all of them would be nobody's rate.
func commonRate(pts []int64, base timecode.Ratio) timecode.Rate {
	d := make([]int64, len(pts)-1)
	for i := range d {
		d[i] = pts[i+1] - pts[i]
	}
	slices.Sort(d)
	var from, most int
	var mean float64
	sum := 0.0
	for to, x := range d {
		for sum += float64(x); float64(x) > float64(d[from])*sameDistance; from++ {
			sum -= float64(d[from])
		}
		if n := to - from + 1; n > most {
			most, mean = n, sum/float64(n)
		}
	}
	fps := 1 / (mean * base.Float())
	near, dist := timecode.Rate{}, nearStandard
	for _, c := range standardRates {
		if e := math.Abs(math.Log(fps / c.Float())); e < dist {
			near, dist = c, e
		}
	}
	if near.Num == 0 && fps < 1000 {
		near = timecode.Rate{Num: max(1, int64(math.Round(fps))), Den: 1}
	}
	return near
}

// headerRate is what the header says, snapped.
func headerRate(s *probeStream) timecode.Rate {
	for _, text := range []string{s.RealRate, s.AverageRate} {
		if q, ok := parseRational(text); ok {
			if r := snap(q.Float()); r.Num != 0 {
				return r
			}
			if r := (timecode.Rate{Num: q.Num, Den: q.Den}); r.Validate() == nil {
				return r
			}
		}
	}
	return timecode.Rate{}
}
