package part

import (
	"bytes"
	"fmt"
	"io"
	"math/big"
	"slices"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"gitlab.com/gomidi/midi/v2"
	"gitlab.com/gomidi/midi/v2/smf"
)

// Conductor is the first track of a file: tempo, metre and markers. The zero
// value writes 120 quarters a minute and 4/4.
type Conductor struct {
	Name    string
	Tempos  []Tempo
	Metres  []Metre
	Markers []Marker
}

// Tempo is a change of tempo. The format keeps whole microseconds.
type Tempo struct {
	At               timecode.Ratio // quarters from bar 1 beat 1
	MicrosPerQuarter uint32         // 1 to 16777215
}

// Metre is a change of metre.
type Metre struct {
	At       timecode.Ratio
	Num, Den int // Den a power of two
}

// Marker is a named place.
type Marker struct {
	At   timecode.Ratio
	Text string
}

// Ticks a quarter.
const (
	usualDivision = 960
	maxDivision   = 32767 // 15 bits
	fineDivision  = 27720 // divides by 1 to 12; for parts that nothing holds exactly
)

// velocity of written notes, and the key of an unpitched one: a hand clap in
// General MIDI (from memory).
const (
	writtenVelocity = 80
	clapKey         = 39
)

// WriteSMF writes parts as a Standard MIDI File of format 1: a conductor
// track, then one track a part, pitched notes on channels 1 to 9 and 11 to 16
// in turn, unpitched ones on channel 10. Positions that no common number of
// ticks holds exactly are rounded to 1/27720 quarter. A note or a change
// before bar 1 is refused: the format begins at 0.
func WriteSMF(w io.Writer, parts []Part, c Conductor) error {
	if len(parts) > maxSMFTracks-1 {
		return fault.New(fault.OverLimit, "%d parts are more than a file is given", len(parts))
	}
	for i, p := range parts {
		if err := p.Validate(); err != nil {
			return fault.New(fault.KindOf(err), "part %d", i+1).Because(err)
		}
	}
	tk := ticker{division: division(parts, c)}
	file := smf.NewSMF1()
	file.TimeFormat = smf.MetricTicks(tk.division)
	conductor, err := tk.conductor(c)
	if err != nil {
		return err
	}
	tracks := []smf.Track{conductor}
	for i, p := range parts {
		t, err := tk.part(p, channelOf(i))
		if err != nil {
			return err
		}
		tracks = append(tracks, t)
	}
	for _, t := range tracks {
		if err := file.Add(t); err != nil {
			return fault.New(fault.Unexpected, "a MIDI track could not be made").Because(err)
		}
	}
	var out bytes.Buffer
	if _, err := file.WriteTo(&out); err != nil {
		return fault.New(fault.Unexpected, "the MIDI file could not be made").Because(err)
	}
	if _, err := w.Write(out.Bytes()); err != nil {
		return fault.New(fault.Unexpected, "the MIDI file could not be written").Because(err)
	}
	return nil
}

// channelOf gives parts the channels from 0, without percussion's.
func channelOf(i int) uint8 {
	ch := uint8(i % 15)
	if ch >= percussion {
		ch++
	}
	return ch
}

// division is the ticks that hold every position exactly, as near above 960
// as may be, or the fine one.
func division(parts []Part, c Conductor) int64 {
	d := int64(1)
	add := func(r timecode.Ratio) {
		if d = lcm(d, max(r.Den, 1)); d > maxDivision {
			d = maxDivision + 1 // and stays there
		}
	}
	for _, p := range parts {
		for _, n := range p.Notes {
			add(n.Start)
			add(n.Length)
		}
	}
	for _, t := range c.Tempos {
		add(t.At)
	}
	for _, m := range c.Metres {
		add(m.At)
	}
	for _, m := range c.Markers {
		add(m.At)
	}
	switch {
	case d > maxDivision:
		return fineDivision
	case usualDivision%d == 0:
		return usualDivision
	}
	return d * max(1, min((usualDivision+d-1)/d, maxDivision/d))
}

func lcm(a, b int64) int64 {
	if a > maxDivision || b > maxDivision {
		return maxDivision + 1
	}
	x, y := a, b
	for y != 0 {
		x, y = y, x%y
	}
	return a / x * b
}

// ticker places things in ticks.
type ticker struct{ division int64 }

// placed is a message at a tick; order settles what comes first on one tick.
type placed struct {
	tick    int64
	order   int
	message []byte
}

func (t ticker) ticks(at timecode.Ratio) int64 {
	x := at.Rat()
	return timecode.RoundRat(x.Mul(x, new(big.Rat).SetInt64(t.division)))
}

func (t ticker) place(out []placed, at timecode.Ratio, order int, message []byte) ([]placed, error) {
	if at.Sign() < 0 {
		return nil, fault.New(fault.Unsupported, "something lies %s quarters before bar 1, where a MIDI file cannot begin", at.Mul(timecode.Int(-1))).
			Mended("move it to bar 1 or later")
	}
	if !inBounds(at) {
		return nil, fault.New(fault.OverLimit, "position %s is out of range", at)
	}
	return append(out, placed{t.ticks(at), order, message}), nil
}

// track puts messages in order, with their distances.
func (t ticker) track(name string, all []placed) (smf.Track, error) {
	slices.SortStableFunc(all, func(a, b placed) int {
		if a.tick != b.tick {
			return int(min(max(a.tick-b.tick, -1), 1))
		}
		return a.order - b.order
	})
	var out smf.Track
	if name != "" {
		out.Add(0, smf.MetaTrackSequenceName(name))
	}
	at := int64(0)
	for _, p := range all {
		if p.tick-at >= 1<<28 {
			return nil, fault.New(fault.OverLimit, "a rest is longer than a MIDI file can hold")
		}
		out.Add(uint32(p.tick-at), p.message)
		at = p.tick
	}
	out.Close(0)
	return out, nil
}

// Order on one tick: endings first, then words, then notes.
const (
	orderOff = iota
	orderMeta
	orderLyric
	orderOn
)

func (t ticker) part(p Part, ch uint8) (smf.Track, error) {
	var all []placed
	for i, n := range p.Notes {
		c, key := ch, n.Key
		if n.Unpitched {
			c, key = percussion, clapKey
		}
		end := n.End()
		if t.ticks(end) <= t.ticks(n.Start) {
			return nil, fault.New(fault.OverLimit, "note %d of %s is too short for a MIDI file", i+1, p.Name)
		}
		var err error
		if n.Lyric != "" {
			if all, err = t.place(all, n.Start, orderLyric, smf.MetaLyric(n.Lyric)); err != nil {
				return nil, err
			}
		}
		if all, err = t.place(all, n.Start, orderOn, midi.NoteOn(c, key, writtenVelocity)); err != nil {
			return nil, err
		}
		all = append(all, placed{t.ticks(end), orderOff, midi.NoteOff(c, key)})
	}
	return t.track(p.Name, all)
}

func (t ticker) conductor(c Conductor) (smf.Track, error) {
	if err := checkText("the conductor track's name", c.Name, maxName); err != nil {
		return nil, err
	}
	var all []placed
	var err error
	for _, m := range c.Metres {
		den := 0
		for 1<<den < m.Den {
			den++
		}
		if m.Num < 1 || m.Num > 255 || m.Den < 1 || 1<<den != m.Den || den > 7 {
			return nil, fault.New(fault.Usage, "%d/%d is not a metre that a MIDI file holds", m.Num, m.Den)
		}
		// 24 MIDI clocks a click and 8 thirty-seconds a quarter: the usual values
		if all, err = t.place(all, m.At, orderMeta, smf.MetaUndefined(metaMetre, []byte{byte(m.Num), byte(den), 24, 8})); err != nil {
			return nil, err
		}
	}
	for _, x := range c.Tempos {
		us := x.MicrosPerQuarter
		if us < 1 || us > 1<<24-1 {
			return nil, fault.New(fault.Usage, "a tempo of %d microseconds a quarter is out of range", us)
		}
		if all, err = t.place(all, x.At, orderMeta, smf.MetaUndefined(0x51, []byte{byte(us >> 16), byte(us >> 8), byte(us)})); err != nil {
			return nil, err
		}
	}
	for i, m := range c.Markers {
		if err := checkText(fmt.Sprintf("marker %d", i+1), m.Text, maxLyric); err != nil {
			return nil, err
		}
		if all, err = t.place(all, m.At, orderMeta, smf.MetaMarker(m.Text)); err != nil {
			return nil, err
		}
	}
	return t.track(c.Name, all)
}
