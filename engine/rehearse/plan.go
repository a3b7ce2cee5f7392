// Package rehearse makes what actors and singers learn a shot by: three count
// beeps, the start frame, a beep each second, with the reference's sound or in
// silence, over and over, at its speed or slower; as sound, and as a picture
// with a counter.
package rehearse

import (
	"math/big"

	"cuechoir/engine/timecode"
	"cuechoir/engine/voice"
	"cuechoir/internal/fault"
)

// Options say what is rehearsed. Rate, SampleRate, From and To are needed.
type Options struct {
	Rate       timecode.Rate
	SampleRate int            // Hz, 8000 to 192000
	From, To   int64          // frames of the reference; To is left out
	Loops      int            // how often, 1 to 100; 0 is once
	Gap        timecode.Ratio // seconds of silence between two times, 0 to 60, beyond the count
	Speed      timecode.Ratio // 1/2 to 2; 0 is 1
	LevelDB    float64        // peak of the beeps in dBFS, -60 to 0; 0 itself is read as -18
	Spoken     bool           // "one, two, three, go" in the place of the count beeps and the start's
}

// Bounds of a rehearsal.
const (
	maxLoops   = 100
	maxGap     = 60  // seconds
	maxSpan    = 600 // seconds of reference: its sound is held in memory
	maxTotal   = 3 * 3600
	counts     = 3
	fifth      = 5
	defaultDB  = -18
	headSecond = 2 // half a second before the first count and after the end, for a device to wake and a consonant to lead
)

// Kind is what a mark is.
type Kind string

const (
	Count  Kind = "count"  // 3, 2, 1 before the start
	Start  Kind = "start"  // the start frame
	Second Kind = "second" // of the span's own time: slower when it is slower
	Fifth  Kind = "fifth"  // each fifth of them, longer
)

// Mark is a beep or a word. Its sample is that of its first sound that is not
// 0, at the foot of a ramp of 5 ms; of a word, of its stressed onset.
type Mark struct {
	Sample int64 // from the file's beginning
	Kind   Kind
	Number int // seconds: 1, 2, 3 of the count; 0 at the start; then 1 and up
	Pass   int // from 0
}

// Pass is one time through the span. Samples and frames count from the file's
// beginning; Start is the first sample of StartFrame, exactly.
type Pass struct {
	StartFrame int64
	Start, End int64
}

// Plan is a rehearsal laid out: at the sample rate, and in frames of the
// reference's rate, which a picture has. It is read-only.
type Plan struct {
	Options
	Passes []Pass
	Marks  []Mark // in order
	Frames int64  // the whole length
	Length int64  // the same in samples
}

// New lays a rehearsal out. Errors: Usage, OverLimit.
func New(o Options) (*Plan, error) {
	if o.Loops == 0 {
		o.Loops = 1
	}
	if o.Speed == (timecode.Ratio{}) {
		o.Speed = timecode.Int(1)
	}
	if o.LevelDB == 0 {
		o.LevelDB = defaultDB
	}
	if o.Gap == (timecode.Ratio{}) {
		o.Gap = timecode.Int(0)
	}
	if err := o.validate(); err != nil {
		return nil, err
	}
	p := &Plan{Options: o}
	head := new(big.Rat).SetFrac64(1, headSecond)
	count := p.outSeconds(counts)
	at := new(big.Rat) // seconds from the file's beginning
	at.Add(head, count)
	for i := range o.Loops {
		pass := Pass{StartFrame: p.frameAfter(at)}
		pass.Start = o.Rate.SampleOf(pass.StartFrame, o.SampleRate)
		pass.End = pass.Start + voice.StretchedLen(o.SpanSamples(), o.Speed)
		p.addMarks(i, pass)
		p.Passes = append(p.Passes, pass)
		at.SetFrac64(pass.End, int64(o.SampleRate))
		at.Add(at, count)
		at.Add(at, o.Gap.Rat())
		if at.Cmp(big.NewRat(maxTotal, 1)) > 0 {
			return nil, fault.New(fault.OverLimit, "%d times through would take more than %d hours", o.Loops, maxTotal/3600).Mended("use fewer --loops")
		}
	}
	end := new(big.Rat).SetFrac64(p.Passes[o.Loops-1].End, int64(o.SampleRate))
	p.Frames = p.frameAfter(end.Add(end, head))
	p.Length = o.Rate.SampleOf(p.Frames, o.SampleRate)
	return p, nil
}

func (o Options) validate() error {
	bad := func(what string, args ...any) *fault.Error { return fault.New(fault.Usage, what, args...) }
	if err := o.Rate.Validate(); err != nil {
		return bad("a rehearsal needs the frame rate").Because(err)
	}
	if err := voice.CheckSpeed(o.Speed); err != nil {
		return err
	}
	const day = 24 * 3600 * 1000 // frames
	switch {
	case o.SampleRate < 8000 || o.SampleRate > 192000:
		return bad("a sample rate of %d Hz is out of range", o.SampleRate)
	case o.From < 0 || o.To <= o.From || o.To > day:
		return bad("frames %d to %d are no span", o.From, o.To).Mended("the end lies after the beginning")
	case o.SpanSamples() > maxSpan*int64(o.SampleRate):
		return fault.New(fault.OverLimit, "the span is longer than %d minutes", maxSpan/60).Mended("choose a shorter one")
	case o.Loops < 1 || o.Loops > maxLoops:
		return bad("%d loops are out of range", o.Loops).Mended("use 1 to %d", maxLoops)
	case !o.Gap.InRange() || o.Gap.Sign() < 0 || o.Gap.Cmp(timecode.Int(maxGap)) > 0:
		return bad("a gap of %.4g s is out of range", o.Gap.Float()).Mended("use 0 to %d seconds", maxGap)
	case !(o.LevelDB >= -60 && o.LevelDB <= 0):
		return bad("a beep level of %.1f dB is out of range", o.LevelDB).Mended("use -60 to 0; -18 is a careful start")
	}
	return nil
}

// SpanSamples is the span's length in samples, at its own speed.
func (o Options) SpanSamples() int64 {
	return o.Rate.SampleOf(o.To, o.SampleRate) - o.Rate.SampleOf(o.From, o.SampleRate)
}

// outSeconds is how long n seconds of the span last.
func (p *Plan) outSeconds(n int64) *big.Rat {
	return new(big.Rat).Quo(new(big.Rat).SetInt64(n), p.Speed.Rat())
}

// outSamples is the same in samples, rounded once.
func (p *Plan) outSamples(n int64) int64 {
	x := p.outSeconds(n)
	return timecode.RoundRat(x.Mul(x, new(big.Rat).SetInt64(int64(p.SampleRate))))
}

// frameAfter is the first frame that begins at or after a time in seconds.
func (p *Plan) frameAfter(seconds *big.Rat) int64 {
	x := new(big.Rat).Mul(seconds, big.NewRat(p.Rate.Num, p.Rate.Den))
	n := new(big.Int).Add(x.Num(), x.Denom())
	n.Sub(n, big.NewInt(1))
	return n.Quo(n, x.Denom()).Int64() // times are above 0
}

// addMarks adds the count, the start and the seconds of a pass.
func (p *Plan) addMarks(pass int, at Pass) {
	for n := int64(1); n <= counts; n++ {
		p.Marks = append(p.Marks, Mark{at.Start - p.outSamples(counts+1-n), Count, int(n), pass})
	}
	p.Marks = append(p.Marks, Mark{at.Start, Start, 0, pass})
	for n := int64(1); at.Start+p.outSamples(n) < at.End; n++ {
		kind := Second
		if n%fifth == 0 {
			kind = Fifth
		}
		p.Marks = append(p.Marks, Mark{at.Start + p.outSamples(n), kind, int(n), pass})
	}
}
