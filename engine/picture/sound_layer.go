package picture

import (
	"math"
	"math/big"

	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/dsp"
)

// layer lays runs of sound on their places in time and writes them.
type layer struct {
	w        *audiofile.Writer
	rate     int // of the file's sound
	channels int
	base     timecode.Ratio // seconds a tick
	start    *big.Rat       // seconds at which sample 0 stands; nil: at the first sound
	pos      int64          // samples laid so far, at rate
	lead     int64          // of them, silence before the first sound
	filled   int64          // of them, silence in gaps
	gaps     int64          // that were filled
	cut      int64          // samples that lay before start, left out
	res      []*dsp.Resampler
	plane    [][]float32
	out      [][]float32
	mix      []float32
	written  int64
}

func newLayer(w *audiofile.Writer, from, to, channels int, start *big.Rat) (*layer, error) {
	l := &layer{w: w, rate: from, channels: channels, base: timecode.R(1, int64(from)), start: start,
		plane: make([][]float32, channels), out: make([][]float32, channels)}
	if from != to {
		for range channels {
			r, err := dsp.NewResampler(from, to)
			if err != nil {
				return nil, err
			}
			l.res = append(l.res, r)
		}
	}
	return l, nil
}

func (l *layer) rebase(b timecode.Ratio) { l.base = b }

// What is not worth mending: containers round timestamps to a millisecond, and
// a shift below this between runs is such rounding, not a gap.
const slackSeconds = 0.02

// A jump of the sound's clock by more than this is a fault of the file.
const maxSoundGapSeconds = 600

func (l *layer) push(at int64, known bool, x []float32) error {
	if known {
		t := new(big.Rat).Mul(big.NewRat(at, 1), l.base.Rat())
		if l.start == nil {
			l.start = t
		}
		t.Sub(t, l.start)
		t.Mul(t, big.NewRat(int64(l.rate), 1))
		if f, _ := t.Float64(); math.Abs(f) < 1e15 {
			gap := timecode.RoundRat(t) - l.pos
			slack := int64(slackSeconds * float64(l.rate))
			if l.pos == 0 {
				slack = 0
			}
			switch n := int64(len(x) / l.channels); {
			case gap > maxSoundGapSeconds*int64(l.rate): // read on without a gap
			case gap > slack:
				if l.pos == 0 {
					l.lead = gap
				} else {
					l.gaps, l.filled = l.gaps+1, l.filled+gap
				}
				if err := l.silence(gap); err != nil {
					return err
				}
			case gap < -slack:
				if l.pos == 0 {
					l.cut += min(n, -gap)
				}
				x = x[min(n, -gap)*int64(l.channels):]
			}
		}
	}
	return l.add(x)
}

func (l *layer) silence(frames int64) error {
	quiet := make([]float32, 4096*l.channels)
	for frames > 0 {
		n := min(frames, 4096)
		if err := l.add(quiet[:n*int64(l.channels)]); err != nil {
			return err
		}
		frames -= n
	}
	return nil
}

// add writes interleaved samples, at the output's rate.
func (l *layer) add(x []float32) error {
	l.pos += int64(len(x) / l.channels)
	if l.res == nil {
		return l.write(x)
	}
	for c := range l.channels {
		p := l.plane[c][:0]
		for i := c; i < len(x); i += l.channels {
			p = append(p, x[i])
		}
		l.plane[c] = p
		l.out[c] = l.res[c].Push(l.out[c][:0], p)
	}
	return l.write(l.interleave())
}

func (l *layer) interleave() []float32 {
	l.mix = l.mix[:0]
	for i := range l.out[0] {
		for c := range l.channels {
			l.mix = append(l.mix, l.out[c][i])
		}
	}
	return l.mix
}

func (l *layer) write(x []float32) error {
	if len(x) == 0 {
		return nil
	}
	l.written += int64(len(x) / l.channels)
	return l.w.Write(x)
}

func (l *layer) finish() error {
	if l.res == nil {
		return nil
	}
	for c := range l.channels {
		l.out[c] = l.res[c].Flush(l.out[c][:0])
	}
	return l.write(l.interleave())
}

// tellFrom is the shortest difference of sound and picture worth a word, in
// seconds: two frames and more, beyond what whole blocks of a sound's form add.
const tellFrom = 0.1

// tellSound notes where the sound does not keep to the picture. The picture's
// end is known when it was read before.
func (r *reader) tellSound(l *layer) {
	sec := func(samples int64) float64 { return float64(samples) / float64(l.rate) }
	if r.video != nil && sec(l.lead) >= tellFrom {
		r.info.note("the sound begins %.2f s after the picture: silence stands before it", sec(l.lead))
	}
	if r.video != nil && sec(l.cut) >= tellFrom {
		r.info.note("the sound begins %.2f s before the picture: what lies before frame 0 is left out", sec(l.cut))
	}
	if l.gaps > 0 {
		r.info.note("the sound has %d gaps, %.2f s in all, filled with silence", l.gaps, sec(l.filled))
	}
	if r.info.Frames == 0 {
		return
	}
	rate := r.info.Rate
	more := sec(l.pos) - float64(r.info.Frames)*float64(rate.Den)/float64(rate.Num)
	if more >= tellFrom {
		r.info.note("the sound lasts %.2f s longer than the picture", more)
	}
	if more <= -tellFrom {
		r.info.note("the sound ends %.2f s before the picture does", -more)
	}
}
