package mix

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"

	"cuechoir/internal/fault"
)

// rendering is a mix at work. Strips are made in parallel, each into a block of
// its own, while the blocks before are summed in the strips' order: so neither
// the number of cores nor their haste is heard.
type rendering struct {
	o      Options
	block  int
	strips []*channel
	voice  int // the strip that the ride hears; -1: none
	desk   *summing

	work sync.WaitGroup // what is under way of this block
	next atomic.Int64   // the next strip to make
	call chan task
}

// task is a block to make.
type task struct {
	ctx  context.Context
	at   int64
	n    int
	side int
}

func newRendering(d Desk, o Options) (*rendering, error) {
	if len(d.Strips) > maxStrips {
		return nil, fault.New(fault.OverLimit, "%d layers are more than the %d that can be mixed", len(d.Strips), maxStrips)
	}
	if err := d.Validate(o.SampleRate); err != nil {
		return nil, err
	}
	r := &rendering{o: o, block: int(min(int64(o.Block), o.Length)), voice: -1}
	buses := newRoutes(d, o)
	for _, s := range d.Strips {
		speaks := buses.rides() && s.Name == buses.speaker
		if s.Mute || buses.mute(s) || !buses.heard(buses.bus(s)) && !(speaks && len(d.Ride.Marks) == 0) {
			s.Mute = true
			if err := s.Validate(o.SampleRate); err != nil {
				return nil, err
			}
			continue
		}
		c, err := newChannel(s, o, r.block)
		if err != nil {
			return nil, err
		}
		c.bus = buses.of(s)
		if speaks {
			r.voice = len(r.strips)
		}
		r.strips = append(r.strips, c)
	}
	var err error
	if r.desk, err = newSumming(d, o, buses, r.strips, r.block); err != nil {
		return nil, err
	}
	return r, nil
}

// run makes block after block. Each round sums the block before in the calling
// goroutine while the others make strips of the next.
func (r *rendering) run(ctx context.Context, sink func([]float32) error, progress func(done, total int64)) error {
	r.hire()
	length := r.o.Length
	side, before := 0, 0
	for at := int64(0); at < length || before > 0; {
		if err := ctx.Err(); err != nil {
			return fault.New(fault.Interrupted, "the mix was stopped at sample %d of %d", at-int64(before), length).Because(err)
		}
		n := int(min(int64(r.block), length-at))
		r.start(task{ctx, at, n, side})
		var err error
		if before > 0 {
			err = r.give(at-int64(before), before, 1-side, sink, progress)
		}
		r.help(task{ctx, at, n, side})
		if err != nil {
			return err
		}
		for _, c := range r.strips {
			if c.err != nil {
				return c.err
			}
		}
		at, before, side = at+int64(n), n, 1-side
	}
	return nil
}

// give sums a block that is made, and hands it on.
func (r *rendering) give(at int64, n, side int, sink func([]float32) error, progress func(done, total int64)) error {
	out, err := r.desk.sum(at, n, side, r.strips, r.voice)
	if err != nil {
		return err
	}
	if err := sink(out); err != nil {
		return err
	}
	if progress != nil {
		progress(at+int64(n), r.o.Length)
	}
	return nil
}

// hire starts the goroutines that help; with one core there is none.
func (r *rendering) hire() {
	cores := r.o.Cores
	if cores == 0 {
		cores = min(runtime.GOMAXPROCS(0), maxCores)
	}
	helpers := min(cores-1, len(r.strips))
	if helpers <= 0 {
		return
	}
	r.call = make(chan task, helpers)
	for range helpers {
		go func() {
			for t := range r.call {
				r.make(t)
				r.work.Done()
			}
		}()
	}
}

// close lets the helpers go.
func (r *rendering) close() {
	if r.call != nil {
		close(r.call)
	}
}

// start calls the helpers to a block.
func (r *rendering) start(t task) {
	r.next.Store(0)
	if r.call == nil || t.n == 0 {
		return
	}
	r.work.Add(cap(r.call))
	for range cap(r.call) {
		r.call <- t
	}
}

// help makes what strips are left, and waits until all are made.
func (r *rendering) help(t task) {
	r.make(t)
	r.work.Wait()
}

func (r *rendering) make(t task) {
	if t.n == 0 {
		return
	}
	for {
		k := int(r.next.Add(1)) - 1
		if k >= len(r.strips) {
			return
		}
		r.strips[k].make(t.ctx, t.at, t.n, t.side)
	}
}
