package bounce

import (
	"errors"
	"io"
	"sync"

	"cuechoir/engine/loudness"
	"cuechoir/engine/mix"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// draft renders the whole desk into a passing file of floats and measures it:
// the strips are worked through once, whatever gain is found to be right.
func (j *job) draft() (*audiofile.Reader, *loudness.Meter, error) {
	f, err := j.out.createScratch()
	if err != nil {
		return nil, nil, err
	}
	return j.drafted(f, func(sink func([]float32) error) error { return j.render(nil, j.o.MasterGainDB, sink) })
}

// drafted writes what make gives to the passing file, and measures it.
func (j *job) drafted(f file, make func(sink func([]float32) error) error) (*audiofile.Reader, *loudness.Meter, error) {
	// True peaks before the limiter say nothing of those behind it.
	m, err := loudness.New(loudness.Options{SampleRate: j.o.SampleRate, Channels: 2, SkipTruePeak: j.o.Limit})
	if err != nil {
		return nil, nil, err
	}
	w, err := audiofile.NewWriter(f, audiofile.Format{SampleRate: j.o.SampleRate, Channels: 2, Bits: 32, Float: true}, audiofile.WriterOptions{Name: j.o.Path})
	if err != nil {
		return nil, nil, j.full(err, j.out.scratch)
	}
	err = make(func(block []float32) error {
		if err := m.Push(block); err != nil {
			return err
		}
		if err := w.Write(block); err != nil {
			return j.full(err, j.out.scratch)
		}
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	m.Finish()
	if err := w.Close(); err != nil {
		return nil, nil, j.full(err, j.out.scratch)
	}
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return nil, nil, j.out.failed(j.out.scratch, "the file could not be read again", err)
	}
	r, err := audiofile.NewWAVReader(f, size, j.o.Path)
	return r, m, err
}

// coloured puts the whole draft in the mix's colour, in the draft's own place.
func (j *job) coloured(draft *audiofile.Reader) (*audiofile.Reader, *loudness.Meter, error) {
	x := make([]float32, 2*j.o.Length)
	if err := readOn(draft, x); err != nil {
		return nil, nil, err
	}
	if err := j.ctx.Err(); err != nil {
		return nil, nil, fault.New(fault.Interrupted, "the bounce was stopped before the mix got its colour").Because(err)
	}
	if err := j.o.Colour(x); err != nil {
		return nil, nil, err
	}
	f := j.out.scratch.temp
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, nil, j.out.failed(j.out.scratch, "the file could not be written again", err)
	}
	return j.drafted(f, func(sink func([]float32) error) error {
		for at := 0; at < len(x); at += 2 * draftBlock {
			if err := sink(x[at:min(len(x), at+2*draftBlock)]); err != nil {
				return err
			}
		}
		return nil
	})
}

// The limiter's bounds: its ceiling starts a little lower, as a gain in motion
// moves crests between samples; and it is not asked to take more from a peak
// than this to reach a loudness.
const (
	limiterMarginDB = 0.05
	limiterMostDB   = 12
	masterRounds    = 6
	goodMissLU      = 0.05
)

// master sets the gain and writes the mix. With the limiter the loudness and the
// true peak are known only when it has worked, so it may take some rounds.
func (j *job) master(draft *audiofile.Reader, m *loudness.Meter) (Result, error) {
	gain, trim, err := j.setGain(m)
	if err != nil {
		return Result{}, err
	}
	res := Result{TrimDB: trim}
	out := j.out.files[0]
	if _, err := j.out.create(out); err != nil {
		return Result{}, err
	}
	done := j.nextPass()
	ceiling := j.room() - limiterMarginDB
	var last struct{ gain, miss float64 } // of the round before
	for round := 1; ; round++ {
		limiter, err := j.limiter(ceiling)
		if err != nil {
			return Result{}, err
		}
		if res.Mix, err = j.writeMix(draft, out, mix.Gain(gain-j.o.MasterGainDB), limiter, done); err != nil {
			return Result{}, err
		}
		res.GainDB, res.LimitedDB = gain, limiter.taken()
		if j.o.TargetLUFS != nil {
			res.TargetMissLU = res.Mix.Loudness.IntegratedLUFS - *j.o.TargetLUFS
		}
		over := res.Mix.Loudness.TruePeakDBTP - j.o.CeilingDBTP
		again := j.o.Limit && round < masterRounds
		switch {
		case over > 1e-6 && again:
			ceiling -= over + limiterMarginDB
		case over > 1e-6:
			return Result{}, fault.New(fault.Unexpected, "the mix was written at %.6f dBTP, above the ceiling of %g", over+j.o.CeilingDBTP, j.o.CeilingDBTP).In(j.o.Path, "")
		case res.TargetMissLU < -goodMissLU && again && res.LimitedDB < limiterMostDB && gain-res.TargetMissLU < maxMasterGainDB:
			before := last
			last.gain, last.miss = gain, res.TargetMissLU
			gain += raise(before.gain, before.miss, gain, res.TargetMissLU)
		default:
			return res, j.out.finish(out)
		}
	}
}

// raise is the gain that is still missing: the limiter takes a part of each dB,
// which the round before tells; at most three times the miss.
func raise(gainBefore, missBefore, gain, miss float64) float64 {
	share := 1.0
	if gain > gainBefore && missBefore < 0 {
		share = min(max((miss-missBefore)/(gain-gainBefore), 1./3), 1)
	}
	return -miss / share
}

// limiting is the limiter and what makes its sound come in time.
type limiting struct {
	p           mix.Processor
	latency     int
	left, right []float64
}

func (j *job) limiter(ceilingDBTP float64) (*limiting, error) {
	if !j.o.Limit {
		return &limiting{}, nil
	}
	l := mix.Limiter{CeilingDBTP: ceilingDBTP}
	p, err := l.Processor(j.o.SampleRate)
	return &limiting{p: p, latency: l.Latency(j.o.SampleRate)}, err
}

func (l *limiting) taken() float64 {
	if t, ok := l.p.(interface{ TakenDB() float64 }); ok {
		return t.TakenDB()
	}
	return 0
}

// run works on a block at a gain, in place.
func (l *limiting) run(block []float32, gain float64) {
	if l.p == nil {
		if gain != 1 {
			for i, v := range block {
				block[i] = float32(gain * float64(v))
			}
		}
		return
	}
	n := len(block) / 2
	if cap(l.left) < n {
		l.left, l.right = make([]float64, n), make([]float64, n)
	}
	left, right := l.left[:n], l.right[:n]
	for i := range left {
		left[i], right[i] = gain*float64(block[2*i]), gain*float64(block[2*i+1])
	}
	l.p.Process(left, right)
	for i := range left {
		block[2*i], block[2*i+1] = float32(left[i]), float32(right[i])
	}
}

// writeMix writes the draft at a gain through the limiter. Three goroutines pass
// the blocks on: one reads and limits, this one rounds and writes, one measures.
func (j *job) writeMix(draft *audiofile.Reader, out *output, gain float64, l *limiting, done int64) (File, error) {
	if err := draft.SeekFrame(0); err != nil {
		return File{}, err
	}
	x, err := j.begin(out, nil)
	if err != nil {
		return File{}, err
	}
	listener := newAside(x.m)
	feed := j.feed(draft, gain, l, listener.free)
	written := int64(0)
	for block := range feed.blocks {
		x.q.quantize(block)
		if err = x.write(block); err != nil {
			break
		}
		written += int64(len(block) / 2)
		listener.heard <- block
		j.tell(done + written)
	}
	fed := feed.end()
	heard := listener.end()
	for _, err := range []error{err, fed, heard} {
		if err != nil {
			return File{}, err
		}
	}
	return x.end()
}

const draftBlock = 1 << 13 // frames

// feeding reads the draft through the limiter.
type feeding struct {
	blocks chan []float32
	stop   chan struct{}
	err    error // once blocks is closed
}

// feed starts it. Blocks come from free, which has as many as there are.
func (j *job) feed(draft *audiofile.Reader, gain float64, l *limiting, free <-chan []float32) *feeding {
	f := &feeding{blocks: make(chan []float32, cap(free)), stop: make(chan struct{})}
	go func() {
		defer close(f.blocks)
		f.err = j.readDraft(draft, gain, l, free, f)
	}()
	return f
}

// end has it stop, where it has not come to its end.
func (f *feeding) end() error {
	close(f.stop)
	for range f.blocks {
	}
	return f.err
}

func (j *job) readDraft(draft *audiofile.Reader, gain float64, l *limiting, free <-chan []float32, f *feeding) error {
	skip := l.latency // what comes out of the limiter before its first sample
	for at := int64(-skip); at < j.o.Length; {
		if err := j.ctx.Err(); err != nil {
			return fault.New(fault.Interrupted, "the bounce was stopped at sample %d of %d", max(at, 0), j.o.Length).Because(err)
		}
		var block []float32
		select {
		case block = <-free:
		case <-f.stop:
			return nil
		}
		block = block[:2*int(min(draftBlock, j.o.Length-at))]
		if err := readOn(draft, block); err != nil {
			return err
		}
		l.run(block, gain)
		at += int64(len(block) / 2)
		k := min(skip, len(block)/2)
		skip -= k
		f.blocks <- block[:copy(block, block[2*k:])]
	}
	return nil
}

// readOn fills the block from the draft, and with silence behind its end.
func readOn(draft *audiofile.Reader, block []float32) error {
	for len(block) > 0 {
		n, err := draft.Read(block)
		if errors.Is(err, io.EOF) {
			clear(block)
			return nil
		}
		if err != nil {
			return err
		}
		block = block[2*n:]
	}
	return nil
}

// aside measures beside the writing.
type aside struct {
	m     *loudness.Meter
	free  chan []float32
	heard chan []float32
	err   error
	done  sync.WaitGroup
}

func newAside(m *loudness.Meter) *aside {
	const blocks = 4
	a := &aside{m: m, free: make(chan []float32, blocks), heard: make(chan []float32, blocks)}
	for range blocks {
		a.free <- make([]float32, 2*draftBlock)
	}
	a.done.Go(func() {
		for b := range a.heard {
			if err := a.m.Push(b); err != nil && a.err == nil {
				a.err = err
			}
			a.free <- b[:cap(b)]
		}
	})
	return a
}

// end waits until all is heard.
func (a *aside) end() error {
	close(a.heard)
	a.done.Wait()
	return a.err
}
