package mix

import (
	"context"
	"runtime"
	"sync"

	"cuechoir/internal/fault"
)

// rendering is a mix at work. Strips are made in parallel, a few blocks ahead of
// what is summed, each into a block of its own; the sums are made in the strips'
// order by one goroutine. So neither the number of cores nor their haste is heard.
type rendering struct {
	o      Options
	block  int
	strips []*channel
	voice  int // the strip that the ride hears; -1: none
	desk   *summing

	work  sync.WaitGroup // the goroutines that help
	lock  sync.Mutex     // over all below
	news  sync.Cond      // something below has changed
	next  int64          // the next to make: strip by strip, block by block
	made  []int64        // by strip: how many blocks are made
	left  [ahead]int     // by side: strips that are still to be made
	given int64          // blocks that are summed
	over  bool
}

// ahead is how many blocks may lie between the one that is made and the one that
// is summed, so that no core waits at the end of a block for the slowest strip.
const ahead = 4

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

// blocks is how many blocks there are.
func (r *rendering) blocks() int64 { return (r.o.Length + int64(r.block) - 1) / int64(r.block) }

// span is where a block begins, and how long it is.
func (r *rendering) span(block int64) (at int64, n int) {
	at = block * int64(r.block)
	return at, int(min(int64(r.block), r.o.Length-at))
}

// run sums block after block. While the strips of the next are not all made, the
// calling goroutine makes strips too.
func (r *rendering) run(ctx context.Context, sink func([]float32) error, progress func(done, total int64)) error {
	r.hire(ctx)
	defer r.dismiss()
	for b := range r.blocks() {
		at, n := r.span(b)
		r.makeAll(ctx, b)
		if err := ctx.Err(); err != nil {
			return fault.New(fault.Interrupted, "the mix was stopped at sample %d of %d", at, r.o.Length).Because(err)
		}
		for _, c := range r.strips {
			if err := c.errs[b%ahead]; err != nil {
				return err
			}
		}
		out, err := r.desk.sum(at, n, int(b%ahead), r.strips, r.voice)
		if err != nil {
			return err
		}
		if err := sink(out); err != nil {
			return err
		}
		if progress != nil {
			progress(at+int64(n), r.o.Length)
		}
		r.give()
	}
	return nil
}

// hire starts the goroutines that help; with one core there is none.
func (r *rendering) hire(ctx context.Context) {
	r.news.L = &r.lock
	r.made = make([]int64, len(r.strips))
	for i := range r.left {
		r.left[i] = len(r.strips)
	}
	cores := r.o.Cores
	if cores == 0 {
		cores = min(runtime.GOMAXPROCS(0), maxCores)
	}
	for range min(cores-1, len(r.strips)) {
		r.work.Go(func() {
			for {
				strip, block, ok := r.claim(-1)
				if !ok {
					return
				}
				r.make(ctx, strip, block)
			}
		})
	}
}

// dismiss lets the helpers go, and waits until they have put down their work.
func (r *rendering) dismiss() {
	r.lock.Lock()
	r.over = true
	r.lock.Unlock()
	r.news.Broadcast()
	r.work.Wait()
}

// makeAll makes strips until those of a block are made.
func (r *rendering) makeAll(ctx context.Context, block int64) {
	for {
		strip, b, ok := r.claim(block)
		if !ok {
			return
		}
		r.make(ctx, strip, b)
	}
}

// claim takes the next strip to make, and waits until there is one. It gives
// none once the rendering is over, or all strips of the block until are made.
func (r *rendering) claim(until int64) (strip int, block int64, ok bool) {
	r.lock.Lock()
	defer r.lock.Unlock()
	n := int64(len(r.strips))
	for {
		if r.over || n == 0 || until >= 0 && r.left[until%ahead] == 0 {
			return 0, 0, false
		}
		strip, block = int(r.next%n), r.next/n
		if block < min(r.blocks(), r.given+ahead) && r.made[strip] == block {
			r.next++
			return strip, block, true
		}
		if until < 0 && block == r.blocks() {
			return 0, 0, false
		}
		r.news.Wait()
	}
}

// make makes a block of a strip that was claimed.
func (r *rendering) make(ctx context.Context, strip int, block int64) {
	at, n := r.span(block)
	r.strips[strip].make(ctx, at, n, int(block%ahead))
	r.lock.Lock()
	r.made[strip]++
	r.left[block%ahead]--
	r.lock.Unlock()
	r.news.Broadcast()
}

// give frees the blocks that were summed.
func (r *rendering) give() {
	r.lock.Lock()
	r.left[r.given%ahead] = len(r.strips)
	r.given++
	r.lock.Unlock()
	r.news.Broadcast()
}
