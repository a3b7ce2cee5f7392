package tempo

import (
	"fmt"

	"cuechoir/internal/fault"
)

// pinHits are the pinned beats as hits that every map has to meet exactly.
func pinHits(pins []Pin) []Hit {
	var out []Hit
	for _, p := range pins {
		out = append(out, Hit{Frame: p.Frame, Must: true, Bar: p.Bar, Beat: p.Beat, Name: fmt.Sprintf("the pinned beat %s", p), pinned: true})
	}
	return out
}

// keepsPins reports an answer with every pinned beat on its frame.
func (p *problem) keepsPins(a Answer) bool {
	for _, l := range a.Landings {
		if p.hits[l.Hit].pinned && l.ErrorFrames.Sign() != 0 {
			return false
		}
	}
	return true
}

// handOver readies answers for the asker: pins are told as pins, not as hits.
func (p *problem) handOver(answers []Answer) []Answer {
	var out []Answer
	for _, a := range answers {
		if !p.keepsPins(a) {
			continue
		}
		a.Map.Pins = append([]Pin(nil), p.o.Pins...)
		a.Landings = a.Landings[:len(p.wishes())]
		out = append(out, a)
	}
	for i := range out {
		out[i].Trade = p.trade(out[0], out[i])
	}
	return out
}

// wishes are the hits without the pinned beats, which come last.
func (p *problem) wishes() []Hit { return p.hits[:len(p.hits)-len(p.o.Pins)] }

// noMapKeepsPins is the reason when not even the nearest map does.
func (p *problem) noMapKeepsPins() error {
	return fault.New(fault.NotMet, "no %s map from %.4g to %.4g BPM keeps the pinned beats", p.o.Style, p.o.MinBPM, p.o.MaxBPM).
		Mended("unpin some of them, widen the tempo range, or allow larger steps")
}
