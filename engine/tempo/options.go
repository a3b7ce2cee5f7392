package tempo

import (
	"math"
	"sort"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Options are the wishes of Solve.
type Options struct {
	Rate     timecode.Rate // of the reference; needed
	Frames   int64         // length of the reference; 0: to the last hit
	Style    Style         // "" is stepped
	MinBPM   float64       // slowest beat; 0 is 60
	MaxBPM   float64       // fastest beat; 0 is 168
	Metres   []Metre       // the first is the main metre, the others may come as odd bars; nil is 4/4 with bars of 3/4 and 2/4
	MaxStep  float64       // largest relative change between neighbouring tempos, 0 to 1; 0 is 0.12
	Answers  int           // how many answers are wished for, 1 to 20; 0 is 3
	TempoBPM float64       // the tempo wished for, in beats a minute; 0 leaves it to comfort
	Pins     []Pin         // beats that every map keeps exactly
}

// Defaults and bounds of Options.
const (
	defaultMinBPM  = 60
	defaultMaxBPM  = 168
	defaultMaxStep = 0.12
	defaultAnswers = 3
	comfortBPM     = 96  // where an untrained voice breathes easily; from memory
	noHitsBPM      = 100 // a map without hits or wishes
	maxHits        = 400
	maxSolveHours  = 1 // of reference
	maxAnswers     = 20
	maxTolerance   = 10_000 // frames
)

func (o Options) withDefaults(hits []Hit) Options {
	if o.Style == "" {
		o.Style = Stepped
	}
	if o.MinBPM == 0 {
		o.MinBPM = defaultMinBPM
	}
	if o.MaxBPM == 0 {
		o.MaxBPM = defaultMaxBPM
	}
	if o.MaxStep == 0 {
		o.MaxStep = defaultMaxStep
	}
	if o.Answers == 0 {
		o.Answers = defaultAnswers
	}
	if len(o.Metres) == 0 {
		o.Metres = []Metre{{4, 4}, {3, 4}, {2, 4}}
	}
	if o.Frames == 0 {
		for _, h := range hits {
			o.Frames = max(o.Frames, h.Frame+1)
		}
	}
	return o
}

// validate checks options that already carry their defaults.
func (o Options) validate() error {
	if err := o.Rate.Validate(); err != nil {
		return fault.New(fault.Usage, "the solver needs the reference's frame rate").Because(err)
	}
	if err := o.Style.Validate(); err != nil {
		return err
	}
	switch o.Style {
	case Follow, Tapped:
		return fault.New(fault.Usage, "a %s map is fitted to beats, not solved for hits", string(o.Style)).Mended("choose steady, stepped or gliding")
	}
	bad := func(what string, args ...any) error { return fault.New(fault.Usage, what, args...) }
	b := o.Metres[0].BeatQuarters().Float()
	switch {
	case !(o.MinBPM > 0 && o.MaxBPM >= o.MinBPM) || math.IsInf(o.MaxBPM, 0):
		return bad("a tempo range of %.4g to %.4g BPM is empty", o.MinBPM, o.MaxBPM)
	case o.MinBPM*b < minBPM || o.MaxBPM*b > maxBPM:
		return bad("a tempo range of %.4g to %.4g BPM is outside %d to %d quarters a minute", o.MinBPM, o.MaxBPM, minBPM, maxBPM)
	case !(o.MaxStep >= 0 && o.MaxStep <= 1):
		return bad("a largest step of %.4g is outside 0 to 1", o.MaxStep)
	case o.Answers < 1 || o.Answers > maxAnswers:
		return bad("%d answers are out of range: ask for 1 to %d", o.Answers, maxAnswers)
	case o.TempoBPM != 0 && !(o.TempoBPM >= o.MinBPM && o.TempoBPM <= o.MaxBPM):
		return bad("the wished tempo of %.4g BPM is outside the range of %.4g to %.4g", o.TempoBPM, o.MinBPM, o.MaxBPM)
	case o.Frames < 0:
		return bad("a reference of %d frames is out of range", o.Frames)
	case o.Frames > maxSolveHours*3600*(o.Rate.Num/o.Rate.Den+1):
		return fault.New(fault.OverLimit, "a reference of %d frames is longer than the hour that is searched", o.Frames)
	case len(o.Metres) > 4:
		return bad("more than four metres at once are not searched")
	}
	for _, m := range o.Metres {
		if err := m.Validate(); err != nil {
			return err
		}
	}
	return nil
}

// validateHits checks each hit against the reference and the main metre.
func (o Options) validateHits(hits []Hit) error {
	if len(hits) > maxHits {
		return fault.New(fault.OverLimit, "%d hits are more than the %d that are searched", len(hits), maxHits)
	}
	for i, h := range hits {
		bad := func(what string, args ...any) error {
			return fault.New(fault.Usage, what, args...).In("", hitName(hits, i))
		}
		if err := h.Lands.Validate(); err != nil {
			return err
		}
		switch {
		case h.Frame < 0 || h.Frame >= o.Frames:
			return bad("frame %d is outside the reference, which has %d frames", h.Frame, o.Frames)
		case h.Tolerance < 0 || h.Tolerance > maxTolerance:
			return bad("a tolerance of %d frames is out of range", h.Tolerance)
		case h.Bar < 0 || h.Bar > maxBars:
			return bad("bar %d is out of range", h.Bar)
		case h.Beat < 0 || h.Beat > o.Metres[0].Beats():
			return bad("beat %d is not in a bar of %s", h.Beat, o.Metres[0])
		}
	}
	return nil
}

// problem is a solve made ready: hits gathered on frames, lengths in units of
// a small part of a quarter so that every length is an integer.
type problem struct {
	o     Options
	hits  []Hit
	nodes []node

	perQuarter int64 // units in a quarter
	main       lengths
	odd        []oddBars // choices of odd bars in a row; the first is none
	fps        float64
	minF, maxF float64 // frames a unit
	wishF      float64
	wTempo     float64

	exact bool // steady: must-hits without a tolerance lie on their landings exactly
	ends  int  // how many nodes may lie before a map's first anchor, or after its last
}

// lengths of a metre in units.
type lengths struct {
	metre           Metre
	bar, beat, half int64
}

// node is a frame that has hits.
type node struct {
	frame  int64
	hits   []int
	must   bool
	pinned bool    // a pinned beat
	pin    int     // bar it has to lie in, or 0
	phases []int64 // units into a main bar at which it may lie
}

// oddBars is a choice of odd bars between two hits.
type oddBars struct {
	bars  []lengths
	units int64
}

// maxOddBars is how many odd bars may stand between two neighbouring hits.
const maxOddBars = 2

func newProblem(hits []Hit, o Options) (*problem, error) {
	p := &problem{o: o, hits: hits, fps: o.Rate.Float(), perQuarter: 1}
	for _, m := range o.Metres {
		half := m.BeatQuarters().Div(timecode.Int(2))
		p.perQuarter = lcm(lcm(p.perQuarter, half.Den), m.BarQuarters().Den)
	}
	p.main = p.lengthsOf(o.Metres[0].orCommon())
	beatF := func(bpm float64) float64 { return 60 * p.fps / bpm / float64(p.main.beat) }
	const slack = 1e-12 // a tempo on the very bound is inside
	p.minF, p.maxF = beatF(o.MaxBPM)*(1-slack), beatF(o.MinBPM)*(1+slack)
	p.wishF, p.wTempo = beatF(comfortBPM), weightComfort
	if o.TempoBPM != 0 {
		p.wishF, p.wTempo = beatF(o.TempoBPM), weightWish
	}
	p.wishF = min(max(p.wishF, p.minF), p.maxF)
	p.odd = p.oddChoices()
	return p, p.gather()
}

func (p *problem) lengthsOf(m Metre) lengths {
	units := func(r timecode.Ratio) int64 { return r.Num * (p.perQuarter / max(r.Den, 1)) }
	return lengths{m, units(m.BarQuarters()), units(m.BeatQuarters()), units(m.BeatQuarters().Div(timecode.Int(2)))}
}

func (p *problem) oddChoices() []oddBars {
	out := []oddBars{{}}
	for from := 0; from < len(out); from++ {
		if len(out[from].bars) == maxOddBars {
			break
		}
		for k, m := range p.o.Metres[1:] {
			l := p.lengthsOf(m.orCommon())
			last := out[from].bars
			if l.metre == p.main.metre || len(last) > 0 && p.metreIndex(last[len(last)-1].metre) > k {
				continue // the main metre is not odd; order within a row is of no account
			}
			out = append(out, oddBars{append(append([]lengths(nil), last...), l), out[from].units + l.bar})
		}
	}
	return out
}

func (p *problem) metreIndex(m Metre) int {
	for k, x := range p.o.Metres[1:] {
		if x.orCommon() == m {
			return k
		}
	}
	return -1
}

// gather puts hits of one frame together.
func (p *problem) gather() error {
	order := make([]int, len(p.hits))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return p.hits[order[a]].Frame < p.hits[order[b]].Frame })
	for _, i := range order {
		h := p.hits[i]
		if n := len(p.nodes); n == 0 || p.nodes[n-1].frame != h.Frame {
			p.nodes = append(p.nodes, node{frame: h.Frame})
		}
		n := &p.nodes[len(p.nodes)-1]
		n.hits = append(n.hits, i)
		n.must, n.pinned = n.must || h.Must, n.pinned || h.pinned
	}
	for i := range p.nodes {
		if err := p.settle(&p.nodes[i]); err != nil {
			return err
		}
	}
	return nil
}

// settle finds the phases and the pinned bar of a node: what all its musts
// allow, or what any of its wants does.
func (p *problem) settle(n *node) error {
	for phase := int64(0); phase < p.main.bar; phase++ {
		all, some := true, false
		for _, i := range n.hits {
			ok := p.allows(p.hits[i], phase)
			some = some || ok
			all = all && (ok || !p.hits[i].Must)
		}
		if all && some {
			n.phases = append(n.phases, phase)
		}
	}
	clash := false
	for _, must := range []bool{true, false} {
		for _, i := range n.hits {
			switch h := p.hits[i]; {
			case h.Must != must || h.Bar == 0:
			case n.pin == 0:
				n.pin = h.Bar
			case must && n.pin != h.Bar:
				clash = true
			}
		}
	}
	if len(n.phases) == 0 || clash {
		return fault.New(fault.NotMet, "the must-hits on frame %d ask for two places at once", n.frame).
			Mended("let one of them be a want, or free its bar and beat")
	}
	return nil
}

// allows reports whether a hit may lie at a phase of a main bar.
func (p *problem) allows(h Hit, phase int64) bool {
	if h.Beat != 0 {
		return phase == int64(h.Beat-1)*p.main.beat
	}
	return phase%p.main.step(h.Lands) == 0
}

func (l lengths) step(on Lands) int64 {
	switch on {
	case LandsBeat:
		return l.beat
	case LandsHalf:
		return l.half
	}
	return l.bar
}

func lcm(a, b int64) int64 {
	a, b = max(a, 1), max(b, 1)
	x, y := a, b
	for y != 0 {
		x, y = y, x%y
	}
	return a / x * b
}

func hitName(hits []Hit, i int) string {
	if n := hits[i].Name; n != "" {
		return n
	}
	return "hit " + timecode.Int(int64(i+1)).String()
}
