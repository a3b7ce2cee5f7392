package mix

import (
	"math"
	"slices"

	"cuechoir/internal/fault"
)

// routes says which bus a strip belongs to. Bus 0 is where all is passed on as it
// is; groups that change something, and the voice of a ride, have their own.
type routes struct {
	names   []string // of the buses from 1 on
	groups  map[string]Group
	speaker string // the ride's voice; "": nothing rides
	voice   string // the bus of the speaker, in which nothing is ridden
	only    *string
}

// ownBus names the bus of a ride's voice that has no group.
const ownBus = "\x00voice"

func newRoutes(d Desk, o Options) *routes {
	r := &routes{groups: map[string]Group{}, only: o.Only}
	for _, g := range d.Groups {
		r.groups[g.Name] = g
	}
	for _, s := range d.Strips {
		if s.Name == d.Ride.Voice && s.Name != "" && !s.Mute && !r.mute(s) {
			r.speaker, r.voice = s.Name, s.Group
			if s.Group == "" {
				r.voice = ownBus
			}
		}
	}
	for _, s := range d.Strips {
		watched := o.Watch != nil && s.Group != ""
		if name := r.bus(s); watched || !r.groups[name].plain() || r.rides() && name == r.voice {
			if !slices.Contains(r.names, name) {
				r.names = append(r.names, name)
			}
		}
	}
	return r
}

func (r *routes) rides() bool { return r.speaker != "" }

// bus is the name of the strip's bus, were each group to have one.
func (r *routes) bus(s Strip) string {
	if r.rides() && s.Name == r.speaker {
		return r.voice
	}
	return s.Group
}

// of is the strip's bus.
func (r *routes) of(s Strip) int { return 1 + slices.Index(r.names, r.bus(s)) }

// mute says that the strip's group is muted.
func (r *routes) mute(s Strip) bool { return r.groups[s.Group].Mute }

// heard says that a bus belongs to what is rendered.
func (r *routes) heard(bus string) bool {
	if bus == ownBus {
		bus = ""
	}
	return r.only == nil || bus == *r.only
}

// bus is a group at work.
type bus struct {
	name        string // "" and ownBus: no group
	chain       *chain
	fader       fader
	sendGains   [2]float64 // of the group's own sends, to room and echo
	ridden      bool
	silent      bool // heard by the ride alone
	left, right []float64
	room, echo  []float64
}

// summing is all that lies behind the strips.
type summing struct {
	buses      []*bus
	ride       *rider
	gains      []float64 // of the ride
	room, echo Processor // nil: nobody sends
	master     Processor
	gain       float64
	parts      []part
	made       []*channel // of the bus at hand
	wet        [2][]float64
	watch      func(what Watched, at int64, left, right []float64)
	out        []float32
}

func newSumming(d Desk, o Options, r *routes, strips []*channel, block int) (*summing, error) {
	s := &summing{gain: Gain(o.MasterGainDB), gains: make([]float64, block), out: make([]float32, 2*block), master: through{}, watch: o.Watch}
	sends := [2]bool{}
	for _, c := range strips {
		sends[0], sends[1] = sends[0] || c.room != 0, sends[1] || c.echo != 0
	}
	for _, name := range append([]string{""}, r.names...) {
		b, err := newBus(r.groups[name], name, o, block)
		if err != nil {
			return nil, err
		}
		b.ridden = r.rides() && name != r.voice
		b.silent = r.rides() && name == r.voice && !r.heard(name)
		s.buses = append(s.buses, b)
		sends[0], sends[1] = sends[0] || b.sendGains[0] != 0, sends[1] || b.sendGains[1] != 0
	}
	var err error
	if r.rides() {
		if s.ride, err = newRider(d.Ride, o.SampleRate); err != nil {
			return nil, err
		}
	}
	if s.room, err = sendTo(sends[0], d.Room, o.SampleRate); err != nil {
		return nil, err
	}
	if s.echo, err = sendTo(sends[1], d.Echo, o.SampleRate); err != nil {
		return nil, err
	}
	for i := range s.wet {
		s.wet[i] = make([]float64, block)
	}
	if o.Only == nil {
		s.master, err = newChain(d.Master, o.SampleRate)
	}
	return s, err
}

func sendTo(used bool, p interface{ Processor(int) (Processor, error) }, rate int) (Processor, error) {
	if !used {
		return nil, nil
	}
	return p.Processor(rate)
}

func newBus(g Group, name string, o Options, block int) (*bus, error) {
	b := &bus{name: name, left: make([]float64, block), right: make([]float64, block), room: make([]float64, block), echo: make([]float64, block)}
	if name == "" || name == ownBus {
		g = Group{}
	}
	b.sendGains = sendGains(g.Sends)
	b.fader = fader{base: Gain(g.GainDB), knots: g.Automation}
	var err error
	b.chain, err = newChain(g.Chain, o.SampleRate)
	return b, err
}

// sum makes the n samples from at out of what the strips made.
func (s *summing) sum(at int64, n, side int, strips []*channel, voice int) ([]float32, error) {
	if s.ride != nil {
		var x []float64
		if voice >= 0 && strips[voice].made[side] {
			x = strips[voice].wide[side][:n]
		}
		s.ride.gains(at, x, s.still(voice, strips), s.gains[:n])
	}
	for k, b := range s.buses {
		s.gather(k, b, n, side, strips)
		left, right, room, echo := b.left[:n], b.right[:n], b.room[:n], b.echo[:n]
		b.chain.Process(left, right)
		b.fader.run(at, left, right, room, echo)
		b.send(left, right, room, echo)
		if b.ridden {
			for i, g := range s.gains[:n] {
				left[i], right[i], room[i], echo[i] = g*left[i], g*right[i], g*room[i], g*echo[i]
			}
		}
		if s.watch != nil && b.name != "" && b.name != ownBus {
			s.watch(Watched{b.name, true}, at, left, right)
		}
	}
	if s.watch != nil {
		s.showStrips(at, n, side, strips)
	}
	total := s.buses[0]
	for _, b := range s.buses[1:] {
		if !b.silent {
			addAll(total.left[:n], []part{{b.left, 1}})
			addAll(total.right[:n], []part{{b.right, 1}})
			addAll(total.room[:n], []part{{b.room, 1}})
			addAll(total.echo[:n], []part{{b.echo, 1}})
		}
	}
	s.answer(s.room, total.room[:n], total)
	s.answer(s.echo, total.echo[:n], total)
	s.master.Process(total.left[:n], total.right[:n])
	return s.interleave(at, total.left[:n], total.right[:n])
}

// sendGains are the gains of a group's sends to room and echo, for each channel.
func sendGains(sends []Send) (gains [2]float64) {
	for _, x := range sends {
		w := 0
		if x.To == ToEcho {
			w = 1
		}
		gains[w] = Gain(x.DB) * math.Sqrt2 / 2
	}
	return gains
}

// send adds what the group itself sends.
func (b *bus) send(left, right, room, echo []float64) {
	for w, to := range [2][]float64{room, echo} {
		if g := b.sendGains[w]; g != 0 {
			addAll(to, []part{{left, g}, {right, g}})
		}
	}
}

// showStrips lets the strips be watched, each in stereo.
func (s *summing) showStrips(at int64, n, side int, strips []*channel) {
	left, right := s.wet[0][:n], s.wet[1][:n]
	for _, c := range strips {
		if !c.made[side] {
			continue
		}
		for i, v := range c.wide[side][:n] {
			left[i], right[i] = c.left*v, c.right*v
		}
		s.watch(Watched{Name: c.name}, at, left, right)
	}
}

// still is the gain of a voice's fader that its samples lack.
func (s *summing) still(voice int, strips []*channel) float64 {
	if voice < 0 {
		return 1
	}
	return strips[voice].still
}

// gatherPiece is how many samples are summed at a time: four strips and four sums
// of so many lie in the nearest cache.
const gatherPiece = 512

// gather sums the strips of a bus. A gain of 0 adds nothing, not even to the bits.
func (s *summing) gather(k int, b *bus, n, side int, strips []*channel) {
	s.made = s.made[:0]
	var used [4]bool
	for _, c := range strips {
		if c.bus == k && c.made[side] {
			s.made = append(s.made, c)
			for w, g := range c.gains() {
				used[w] = used[w] || g != 0
			}
		}
	}
	sums := [4][]float64{b.left, b.right, b.room, b.echo}
	for at := 0; at < n; at += gatherPiece {
		end := min(at+gatherPiece, n)
		for _, sum := range sums {
			clear(sum[at:end])
		}
		for rest := s.made; len(rest) > 0; rest = rest[min(4, len(rest)):] {
			four := rest[:min(4, len(rest))]
			for w, sum := range sums {
				if !used[w] {
					continue
				}
				s.parts = s.parts[:0]
				for _, c := range four {
					s.parts = append(s.parts, part{c.wide[side][at:end], c.gains()[w]})
				}
				addAll(sum[at:end], s.parts)
			}
		}
	}
}

// answer adds what room or echo make of what was sent.
func (s *summing) answer(p Processor, sent []float64, to *bus) {
	if p == nil {
		return
	}
	n := len(sent)
	left, right := s.wet[0][:n], s.wet[1][:n]
	copy(left, sent)
	p.Process(left, right)
	addAll(to.left[:n], []part{{left, 1}})
	addAll(to.right[:n], []part{{right, 1}})
}

// interleave applies the master gain and rounds to float32.
func (s *summing) interleave(at int64, left, right []float64) ([]float32, error) {
	out := s.out[:2*len(left)]
	for i, l := range left {
		a, b := float32(s.gain*l), float32(s.gain*right[i])
		if a-a != 0 || b-b != 0 { // infinite: gains can pile up past what a float32 holds
			return nil, fault.New(fault.OverLimit, "the sum at sample %d is too large to be written", at+int64(i)).Mended("lower the gains")
		}
		out[2*i], out[2*i+1] = a, b
	}
	return out, nil
}
