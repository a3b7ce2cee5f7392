package pack

import (
	"context"
	"fmt"
	"math"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Sent is what went out: where all of it stands on the timeline.
type Sent struct {
	Layout Layout
	Clicks []Click
	Shapes [][]float64 // of the clicks, at ShapeRate
	Notes  []Note      // of the part, in order
}

// ShapeRate is the sample rate of Sent.Shapes, Hz.
const ShapeRate = earRate

// Way is how a recording was aligned.
type Way string

const (
	ByChirps Way = "chirps at head and tail"
	ByHead   Way = "chirps at the head"
	ByTail   Way = "chirps at the tail"
	ByClick  Way = "the click that leaked in"
	BySung   Way = "the singing against the part"
)

// Alignment is where a recording belongs.
type Alignment struct {
	Way Way
	// Origin is the place of timeline sample 0 in the recording, and Pace the
	// recording's samples a sample of the timeline, both at the layout's rate.
	Origin, Pace float64
	PPM          float64 // (Pace-1)·1e6: how fast the friend's recorder counted
	PaceKnown    bool    // false: taken to be right
	Points       int     // chirps, clicks or notes that agree
	ResidualMs   float64 // the farthest of them from its place
	WithinMs     float64 // the recording lies within ± this, as far as can be told
	Confidence   float64 // 0 to 1: that it is this place and no other
	Notes        []string
}

// chirpErrorMs is what a chirp in good air is off by, with its coder and filters.
const chirpErrorMs = 0.5

// Align finds where a recording belongs: rec is mono, at the layout's rate.
// Errors: NotMet, with
// what was looked for and what to do; Interrupted.
func Align(ctx context.Context, rec []float32, s Sent) (Alignment, error) {
	if err := s.Layout.Validate(); err != nil {
		return Alignment{}, err
	}
	if dsp.Peak(rec) == 0 {
		return Alignment{}, fault.New(fault.NotMet, "the recording is silent").Mended("ask for another: was the microphone on, and the right one chosen?")
	}
	x, err := dsp.Resample(rec, s.Layout.SampleRate, earRate)
	if err != nil {
		return Alignment{}, err
	}
	if ctx.Err() != nil {
		return Alignment{}, stopped(ctx)
	}
	heads, err := findMarks(x, Head)
	if err != nil {
		return Alignment{}, err
	}
	tails, err := findMarks(x, Tail)
	if err != nil {
		return Alignment{}, err
	}
	w := &search{ctx: ctx, rec: rec, x: x, sent: s, rate: float64(s.Layout.SampleRate)}
	if a, ok := w.byPair(heads, tails); ok {
		return a, nil
	}
	if len(heads) > 0 && len(tails) > 0 {
		if h, t := heads[0].z, tails[0].z; h > 2*t {
			tails = nil
		} else if t > 2*h {
			heads = nil
		} else {
			return Alignment{}, w.apart(heads[0], tails[0])
		}
	}
	switch {
	case len(heads) > 0:
		return w.byOne(heads)
	case len(tails) > 0:
		return w.byOne(tails)
	}
	return w.withoutChirps()
}

// search is what Align works with.
type search struct {
	ctx  context.Context
	rec  []float32 // at the layout's rate
	x    []float32 // at earRate
	sent Sent
	rate float64
}

// pairs are the chirps of a mark that were found, as a recorder whose pace is
// off by `off` hears them: a sweep that is stretched is taken for one that
// comes later or earlier, by off·f/k for a sweep of k Hz a second, where f is
// its highest upwards and its lowest downwards.
func (w *search) pairs(m mark, off float64) []pair {
	const sweep = (chirpHighHz - chirpLowHz) / chirpSeconds
	late := off * chirpHighHz / sweep
	if m.end == Tail {
		late = -off * chirpLowHz / sweep
	}
	var out []pair
	for i, at := range w.sent.Layout.Chirps(m.end) {
		if m.at[i] == m.at[i] {
			out = append(out, pair{float64(at) / w.rate, m.at[i] - late})
		}
	}
	return out
}

// byPair takes the surest head and tail that are as far apart as they were
// sent; of equals the later, since a second try is the one that counts.
func (w *search) byPair(heads, tails []mark) (Alignment, bool) {
	best, sum := Alignment{}, 0.0
	tries := 0
	for _, h := range heads {
		for _, t := range tails {
			l := fit(append(w.pairs(h, 0), w.pairs(t, 0)...), false)
			if math.Abs(l.ppm()) > maxClockPPM {
				continue
			}
			ps := append(w.pairs(h, l.pace-1), w.pairs(t, l.pace-1)...)
			l = fit(ps, false)
			tries++
			z := h.z + t.z
			later := z > 0.8*sum && l.origin > best.Origin/w.rate
			if sum != 0 && z <= 1.25*sum && !later {
				continue
			}
			rival := max(rivalOf(heads, h), rivalOf(tails, t))
			best, sum = w.alignment(ByChirps, l, ps), z
			best.PaceKnown, best.WithinMs = true, max(chirpErrorMs, 1.5*best.ResidualMs)
			best.Confidence = min(1, h.z/(2*leastMark), t.z/(2*leastMark)) * (1 - 0.5*min(1, rival)) / (1 + best.ResidualMs)
		}
	}
	if tries > 1 {
		best.Notes = append(best.Notes, fmt.Sprintf("there are %d tries in the recording: the last is taken", tries))
	}
	return best, tries > 0
}

// rivalOf is the next surest mark as a share of m.
func rivalOf(all []mark, m mark) float64 {
	next := 0.0
	for _, o := range all {
		if o.start != m.start {
			next = max(next, o.z/m.z)
		}
	}
	return next
}

// alignment is a line with the figures of the pairs it leans on.
func (w *search) alignment(way Way, l line, ps []pair) Alignment {
	a := Alignment{Way: way, Origin: l.origin * w.rate, Pace: l.pace, PPM: l.ppm(), Points: len(ps)}
	for _, p := range ps {
		a.ResidualMs = max(a.ResidualMs, 1000*math.Abs(l.off(p)))
	}
	return a
}

// apart says that head and tail belong to different sounds.
func (w *search) apart(h, t mark) error {
	sent := float64(w.sent.Layout.Chirps(Tail)[0]-w.sent.Layout.Chirps(Head)[0]) / w.rate
	return fault.New(fault.NotMet, "the chirps at head and tail are %.2f s apart, and were sent %.2f s apart", t.start-h.start, sent).
		Mended("was the recording paused or cut, or sung to an older pack? Ask for one in one piece, or make the pack again")
}

// byOne takes the last of the marks of one end, and the pace from what else
// there is. marks are of one end, loudest first.
func (w *search) byOne(marks []mark) (Alignment, error) {
	m := marks[0]
	for _, o := range marks {
		if o.z > 0.8*marks[0].z && o.start > m.start {
			m = o
		}
	}
	way, missing := ByHead, "tail"
	if m.end == Tail {
		way, missing = ByTail, "head"
	}
	ps := w.pairs(m, 0)
	about := fit(ps, true)
	a := w.alignment(way, about, ps)
	a.Confidence = 0.8 * min(1, m.z/(2*leastMark)) * (1 - 0.5*min(1, rivalOf(marks, m)))
	a.Notes = append(a.Notes, "the chirps at the "+missing+" were not heard")
	anchor := pair{mean(ps, func(p pair) float64 { return p.sent }), mean(ps, func(p pair) float64 { return p.heard })}
	clicks, ok, err := w.paceByClick(anchor)
	if err != nil {
		return a, err
	}
	if ok {
		notes := a.Notes
		l, both := robust(append(clicks, ps...), false, toothAgree/3)
		a = w.alignment(way, l, both)
		a.Notes = append(notes, fmt.Sprintf("how fast the recorder counted is from the click that leaked in (%d clicks)", len(clicks)))
		a.PaceKnown, a.Confidence = true, 0.9*min(1, m.z/(2*leastMark))
		a.WithinMs = max(chirpErrorMs, clickErrorMs, 1000*l.within(both, false, w.from(), w.to()))
		return a, nil
	}
	long := max(math.Abs(w.from()-anchor.sent), math.Abs(w.to()-anchor.sent))
	pace, give, n, err := w.paceBySinging(about)
	if err != nil {
		return a, err
	}
	if n > 0 {
		notes, sure := a.Notes, a.Confidence
		a = w.alignment(way, line{anchor.heard - pace*anchor.sent, pace}, ps)
		a.PaceKnown, a.Confidence = true, sure
		a.WithinMs = chirpErrorMs + 1000*long*2*give
		a.Notes = append(notes, fmt.Sprintf("how fast the recorder counted is from the singing against the part (%d notes)", n))
		return a, nil
	}
	a.WithinMs = chirpErrorMs + 1000*long*usualPPM*1e-6
	a.Notes = append(a.Notes, fmt.Sprintf("how fast the recorder counted is not known: at the other end it may be off by %.0f ms", a.WithinMs))
	return a, nil
}

// usualPPM is how far the clocks of phones and laptops differ at most (common
// practice: crystals of ±20 to 50 ppm on either side).
const usualPPM = 100

// poorPPM is what a clock may be off by for which nothing speaks.
const poorPPM = 200

func (w *search) from() float64 { return float64(w.sent.Layout.From) / w.rate }
func (w *search) to() float64   { return float64(w.sent.Layout.To) / w.rate }

func mean(ps []pair, of func(pair) float64) float64 {
	sum := 0.0
	for _, p := range ps {
		sum += of(p)
	}
	return sum / float64(len(ps))
}

// paceByClick turns the line about an anchor until the click fits, and gives the
// clicks that do.
func (w *search) paceByClick(anchor pair) ([]pair, bool, error) {
	c, err := newComb(w.x, w.sent)
	if err != nil {
		return nil, false, err
	}
	// On any pace the origin lies within what the widest one moves it by.
	reach := math.Abs(anchor.sent)*widestPace*1e-6 + 2*combSeconds
	o := anchor.heard - anchor.sent
	best, next, err := c.search(w.ctx, o-reach, o+reach)
	if err != nil {
		return nil, false, err
	}
	if heard, _ := c.clear(best, next); !heard {
		return nil, false, nil
	}
	l, ps, ok := c.read(best.line)
	if !ok || math.Abs(l.off(anchor)) > 0.003 {
		return nil, false, nil
	}
	return ps, true, nil
}

// paceBySinging is the pace at which the notes were sung about a line, its
// standard error, and how many notes say so; none when it is not plainly another
// than 1, as it will be with most singers.
func (w *search) paceBySinging(about line) (pace, give float64, notes int, err error) {
	entries, err := w.entries()
	if err != nil {
		return 1, 0, 0, err
	}
	l, ps := robust(match(entries, w.sent.Notes, w.rate, about), false, sungAgree)
	if len(ps) < 2*leastSung || math.Abs(l.ppm()) > maxClockPPM {
		return 1, 0, 0, nil
	}
	if give = paceError(l, ps); math.Abs(l.pace-1) <= paceProof*give {
		return 1, 0, 0, nil
	}
	return l.pace, give, len(ps), nil
}

// entries are what is sung in the recording, of the kinds that the part has.
func (w *search) entries() ([]entry, error) {
	if w.ctx.Err() != nil {
		return nil, stopped(w.ctx)
	}
	pitched, unpitched := false, false
	for _, n := range w.sent.Notes {
		pitched, unpitched = pitched || !n.Unpitched, unpitched || n.Unpitched
	}
	return entriesOf(w.rec, w.sent.Layout.SampleRate, pitched, unpitched)
}

// withoutChirps goes by the click, by the singing, or by both.
func (w *search) withoutChirps() (Alignment, error) {
	c, err := newComb(w.x, w.sent)
	if err != nil {
		return Alignment{}, err
	}
	long := float64(len(w.x)) / earRate
	best, next, err := c.search(w.ctx, -w.to(), long-w.from())
	if err != nil {
		return Alignment{}, err
	}
	heard, alone := c.clear(best, next)
	if heard && alone {
		if a, ok := w.byClick(c, best.line, best.sum, next); ok {
			return a, nil
		}
	}
	entries, err := w.entries()
	if err != nil {
		return Alignment{}, err
	}
	f := alignSung(entries, w.sent.Notes, w.rate, long)
	if f.ok && f.alone && heard {
		// The singing says which bar, the click where in it.
		near, _, err := c.search(w.ctx, f.origin-3*combApart, f.origin+3*combApart)
		if err != nil {
			return Alignment{}, err
		}
		if ok, _ := c.clear(near, 0); ok {
			if a, ok := w.byClick(c, near.line, near.sum, 0); ok {
				a.Notes = append(a.Notes, "the click fits several bars; the notes say which")
				return a, nil
			}
		}
	}
	if f.ok && f.alone {
		return w.bySung(f), nil
	}
	return Alignment{}, w.refuse(heard, f)
}

func (w *search) byClick(c *comb, about line, best, next float64) (Alignment, bool) {
	l, ps, ok := c.read(about)
	if !ok {
		return Alignment{}, false
	}
	a := w.alignment(ByClick, l, ps)
	a.PaceKnown = true
	a.WithinMs = max(clickErrorMs, 1000*l.within(ps, false, w.from(), w.to()))
	ahead := float64(len(ps)) * (1 - next/best) // clicks by which the next place is worse
	a.Confidence = 0.9 * ahead / (1 + ahead)
	a.Notes = append(a.Notes, "no chirps were heard")
	return a, true
}

func (w *search) bySung(f sungFit) Alignment {
	a := w.alignment(BySung, f.line, f.pairs)
	a.PaceKnown = !f.fixed
	a.WithinMs = entryErrorMs + 1000*f.within(f.pairs, f.fixed, w.from(), w.to())
	if f.fixed {
		a.WithinMs += 1000 * (w.to() - w.from()) / 2 * poorPPM * 1e-6
	}
	a.Confidence = 0.6
	a.Notes = append(a.Notes, "neither chirps nor click were heard: a habit of singing early or late cannot be told from the place")
	if a.WithinMs > sureMs {
		a.Notes = append(a.Notes, fmt.Sprintf("not sure to %d ms: listen to it against the click, and nudge it if need be", sureMs))
	}
	return a
}

// refuse says what was looked for and not found.
func (w *search) refuse(click bool, f sungFit) error {
	why := "no chirps, no click and no singing of this part were found"
	switch {
	case click:
		why = "no chirps were found, and the click that leaked in fits several places"
	case f.ok:
		why = "no chirps and no click were found, and the singing fits several places of the part"
	case len(w.sent.Notes) == 0:
		why = "no chirps and no click were found, and the layer has no part to hold the singing against"
	}
	return fault.New(fault.NotMet, "%s: its place cannot be told", why).
		Mended("is it the right file and layer? Ask for a recording with the earpiece at the microphone while the chirps sound, or place it by hand: cuechoir sing LAYER --input FILE --at POSITION")
}

// stopped says that somebody ended the search.
func stopped(ctx context.Context) error {
	return fault.New(fault.Interrupted, "placing the recording was stopped").Because(ctx.Err())
}
