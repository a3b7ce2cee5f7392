package take

import (
	"errors"
	"io"
	"math"

	"cuechoir/internal/fault"
)

// MaxFade bounds a crossfade, in samples: a second at the highest rate.
const MaxFade = 96_000

// Sound is a take's samples from the first, mono, ±1.0 full scale. Read fills
// dst or ends short with io.EOF. Reader is one.
type Sound interface {
	Read(dst []float32) (int, error)
	SeekSample(n int64) error
}

// Voice is a take laid on the timeline: its Sound's sample 0 stands at Start,
// in samples, and Frames of them follow.
type Voice struct {
	ID     string
	Start  int64
	Frames int64
	Sound  Sound
}

// End is the timeline sample after the last.
func (v Voice) End() int64 { return v.Start + v.Frames }

// Patch says which voice sounds from timeline sample In to Out (left out). The
// places are the middles of crossfades, whose lengths are InFade and OutFade,
// 0 to MaxFade samples. A fade is shortened to what both takes hold.
type Patch struct {
	Voice           int // index into Layout.Voices
	In, Out         int64
	InFade, OutFade int64
}

// Layout is what a comp is made of: voice 0 sounds wherever no patch does.
// Patches are in order and apart.
type Layout struct {
	Voices  []Voice
	Patches []Patch
}

// Comp plays a layout as one sound. Where one take gives way to another, the
// gains are cos and sin of an angle that runs evenly from 0 to a right angle
// over the fade, divided by sqrt(1 + 2r·sin·cos), r being the correlation of
// both takes over the fade, 0 when it is negative: the power stays even for
// takes that have nothing in common (equal power) and the sum stays even for
// takes that are alike (equal gain). Source: Fink, Holters and Zölzer,
// "Signal-matched power-complementary cross-fading and dry-wet mixing", DAFx
// 2016 (from memory). It is for one goroutine.
type Comp struct {
	voices []Voice
	places []int64 // where each voice's sound stands, in its own samples
	runs   []run
	at     int64
	faded  int // the run that mixed holds, -1: none
	mixed  []float32
	other  []float32
}

// run is a stretch of the comp. With both voices it is a crossfade; with one
// and a fade it comes in or goes out; none: silence.
type run struct {
	from, to int64
	out, in  int // voices, or none
	fade     bool
}

const none = -1

// NewComp lays out a comp. Errors: Malformed when the patches overlap, are
// empty, are out of order, name no voice, or begin where their voice has no
// sound at all.
func NewComp(l Layout) (*Comp, error) {
	if err := l.check(); err != nil {
		return nil, err
	}
	c := &Comp{voices: l.Voices, places: make([]int64, len(l.Voices)), runs: l.runs(), faded: none}
	for i := range c.places {
		c.places[i] = -1
	}
	c.at = c.Start()
	return c, nil
}

func (l Layout) check() error {
	if len(l.Voices) == 0 {
		return fault.New(fault.Malformed, "a comp of no takes")
	}
	end := int64(math.MinInt64)
	for i, p := range l.Patches {
		switch {
		case p.Voice < 0 || p.Voice >= len(l.Voices):
			return fault.New(fault.Malformed, "stretch %d of the comp names no take", i+1)
		case p.Out <= p.In || p.In < end:
			return fault.New(fault.Malformed, "stretch %d of the comp, samples %d to %d, is empty or overlaps the one before", i+1, p.In, p.Out)
		case p.InFade < 0 || p.InFade > MaxFade || p.OutFade < 0 || p.OutFade > MaxFade:
			return fault.New(fault.Malformed, "stretch %d of the comp has a crossfade outside 0 to %d samples", i+1, MaxFade)
		}
		if v := l.Voices[p.Voice]; v.End() <= p.In || v.Start >= p.Out {
			return fault.New(fault.Malformed, "the comp asks take %s for samples %d to %d, but it has none there", v.ID, p.In, p.Out).
				Mended("take that stretch from another take (cuechoir comp set), or take back the nudge (cuechoir undo)")
		}
		end = p.Out
	}
	return nil
}

// Start is the timeline sample of the comp's first.
func (c *Comp) Start() int64 { return c.runs[0].from }

// Frames is the comp's length in samples.
func (c *Comp) Frames() int64 { return c.runs[len(c.runs)-1].to - c.Start() }

// SeekSample makes the next Read start at the comp's sample n, 0 to Frames.
func (c *Comp) SeekSample(n int64) error {
	if n < 0 || n > c.Frames() {
		return fault.New(fault.Usage, "sample %d is outside the sound, which has %d", n, c.Frames())
	}
	c.at = c.Start() + n
	return nil
}

// Read fills dst, or ends short with io.EOF. The samples are the same however
// the reads are cut.
func (c *Comp) Read(dst []float32) (n int, err error) {
	i := c.runAt(c.at)
	for n < len(dst) {
		for i < len(c.runs) && c.runs[i].to <= c.at {
			i++
		}
		if i == len(c.runs) {
			return n, io.EOF
		}
		part := dst[n:min(int64(len(dst)), int64(n)+c.runs[i].to-c.at)]
		if err := c.fill(part, i); err != nil {
			return n, err
		}
		c.at += int64(len(part))
		n += len(part)
	}
	return n, nil
}

// TakeAt is the take that is heard at a timeline sample, the one that comes in
// when two are, or "" in silence.
func (c *Comp) TakeAt(sample int64) string {
	i := c.runAt(sample)
	if i == len(c.runs) || sample < c.runs[i].from {
		return ""
	}
	r := c.runs[i]
	v := r.in
	if v == none || r.out != none && sample < r.from+(r.to-r.from)/2 {
		v = r.out
	}
	if v == none {
		return ""
	}
	return c.voices[v].ID
}

// Range is a stretch of the timeline in samples, To left out.
type Range struct{ From, To int64 }

// Gaps are the silent stretches inside the comp: the take that is asked for
// has no sound there.
func (c *Comp) Gaps() []Range {
	var out []Range
	for _, r := range c.runs {
		if r.in == none && r.out == none {
			out = append(out, Range{r.from, r.to})
		}
	}
	return out
}

// Sounding are the stretches in which a voice is heard, crossfades included.
func (c *Comp) Sounding(voice int) []Range {
	var out []Range
	for _, r := range c.runs {
		if r.in != voice && r.out != voice {
			continue
		}
		if n := len(out); n > 0 && out[n-1].To == r.from {
			out[n-1].To = r.to
			continue
		}
		out = append(out, Range{r.from, r.to})
	}
	return out
}

// runAt is the first run that ends after a sample.
func (c *Comp) runAt(sample int64) int {
	lo, hi := 0, len(c.runs)
	for lo < hi {
		if mid := (lo + hi) / 2; c.runs[mid].to > sample {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// fill writes samples of one run.
func (c *Comp) fill(dst []float32, i int) error {
	r := c.runs[i]
	switch {
	case r.in == none && r.out == none:
		clear(dst)
		return nil
	case !r.fade:
		return c.play(dst, r.in, c.at)
	}
	if c.faded != i {
		if err := c.mix(r); err != nil {
			return err
		}
		c.faded = i
	}
	copy(dst, c.mixed[c.at-r.from:])
	return nil
}

// mix renders a whole fade, so that its gains do not depend on how it is read.
func (c *Comp) mix(r run) error {
	c.faded = none
	n := int(r.to - r.from)
	if cap(c.mixed) < n {
		c.mixed, c.other = make([]float32, n), make([]float32, n)
	}
	c.mixed, c.other = c.mixed[:n], c.other[:n]
	for _, x := range []struct {
		dst   []float32
		voice int
	}{{c.mixed, r.out}, {c.other, r.in}} {
		if x.voice == none {
			clear(x.dst)
		} else if err := c.play(x.dst, x.voice, r.from); err != nil {
			return err
		}
	}
	alike := max(correlation(c.mixed, c.other), 0)
	for k := range c.mixed {
		sin, cos := math.Sincos(math.Pi / 2 * (float64(k) + 0.5) / float64(n))
		both := math.Sqrt(1 + 2*alike*sin*cos)
		c.mixed[k] = float32(float64(float64(c.mixed[k])*cos/both) + float64(float64(c.other[k])*sin/both))
	}
	return nil
}

// correlation is the normalised correlation of two stretches, -1 to 1, and 0
// when one is silent.
func correlation(a, b []float32) float64 {
	var ab, aa, bb float64
	for i := range a {
		x, y := float64(a[i]), float64(b[i])
		ab, aa, bb = ab+float64(x*y), aa+float64(x*x), bb+float64(y*y)
	}
	if aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

// play reads a voice's samples from timeline sample at on.
func (c *Comp) play(dst []float32, voice int, at int64) error {
	v := c.voices[voice]
	if own := at - v.Start; c.places[voice] != own {
		if err := v.Sound.SeekSample(own); err != nil {
			return err
		}
	}
	c.places[voice] = -1
	if err := readFull(v, dst); err != nil {
		return err
	}
	c.places[voice] = at - v.Start + int64(len(dst))
	return nil
}

// Close closes the voices that can be closed.
func (c *Comp) Close() error {
	var err error
	for _, v := range c.voices {
		if x, ok := v.Sound.(io.Closer); ok {
			err = errors.Join(err, x.Close())
		}
	}
	return err
}
