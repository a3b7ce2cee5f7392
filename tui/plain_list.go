package tui

import "fmt"

// list says what the stage holds, a line each.
func (p *plain) list() {
	s := &p.state
	if s.dial.open {
		of, list, _ := s.dials()
		p.say("What is done to %s; typing a word of the list changes the line.", of)
		for i, d := range list {
			chosen := ""
			if i == s.dial.at {
				chosen = "chosen: "
			}
			p.say("%s%s.", chosen, d.words())
		}
		return
	}
	p.say("Stage %s.", s.Stage.Word())
	switch s.Stage {
	case Spot:
		p.listHits(s.sheet.Hits)
	case Map:
		p.listMaps()
	case Sing:
		p.listTakes()
	case Check:
		p.listFindings()
	case Mix:
		p.listStrips()
	case Bounce:
		for _, n := range s.sheet.Needs {
			word := map[Stand]string{Met: "there", Look: "look", InTheWay: "in the way"}[n.Stand]
			p.say("%s: %s.", word, joined(": ", n.Layer, n.Words))
			if n.Command != "" {
				p.say("  %s", n.Command)
			}
		}
		p.say("next: %s.", p.view().bounceWords())
		for _, l := range p.view().bouncedLines() {
			p.say("%s", joined(": ", l.name, l.words))
		}
	}
}

func (p *plain) listHits(hits []Hit) {
	p.say("%s, %s.", plural(len(p.state.sheet.Cuts), "cut"), plural(len(hits), "hit"))
	for _, h := range hits {
		weight := "want"
		if h.Must {
			weight = "must"
		}
		p.say("frame %d: %s%s.", h.Frame, joined(" ", weight, h.Name), landing(h))
	}
}

func (p *plain) listMaps() {
	s := &p.state
	p.say("style %s; %s on the map, %d pinned, %d tapped.", styles()[s.Style], plural(len(s.sheet.Bars), "bar"), len(s.sheet.Pins), len(s.sheet.Taps))
	for i, o := range s.offers {
		chosen := ""
		if i == s.Offer {
			chosen = "chosen, "
		}
		p.say("map %d: %s%s, %s to %s BPM, %d of %d hits. %s", i+1, chosen, o.Style, trimFloat(o.LowBPM, 2), trimFloat(o.HighBPM, 2),
			o.Caught, o.All, joined("; ", o.Words, o.Trade))
	}
	if len(s.offers) > 0 {
		p.listHits(s.offers[s.Offer].Hits)
	}
}

func (p *plain) listTakes() {
	v := p.state.voice()
	p.say("%s.", p.view().voiceWords())
	if v == nil {
		return
	}
	for i, t := range v.Takes {
		words := ""
		if i == p.state.Take {
			words += "chosen, "
		}
		if t.InUse {
			words += "in use, "
		}
		p.say("take %s: %sframes %d to %d, %s, %s, %d stars.", t.ID, words, p.state.sheet.nearestFrame(t.From), p.state.sheet.nearestFrame(t.To),
			levelText(t.PeakDB), plural(t.Faults, "dropout"), t.Stars)
	}
	if picked := p.state.pickWords(); picked != "" {
		p.say("%s chosen.", picked)
	}
}

func (p *plain) listFindings() {
	v := p.state.voice()
	p.say("%s.", p.view().voiceWords())
	if v == nil {
		return
	}
	for i, k := range v.worst {
		p.say("%d: %s", i+1, v.Findings[k].Words)
	}
	if v.Sung && v.Judged && len(v.worst) == 0 {
		p.say("nothing to mend in this layer.")
	}
}

func (p *plain) listStrips() {
	for i := range p.state.sheet.layers {
		v := &p.state.sheet.layers[i]
		words := fmt.Sprintf("%s: %.1f dB, pan %.2f", v.Name, v.GainDB, v.Pan)
		switch {
		case v.Muted:
			words += ", left out"
		case !v.Sung:
			words += ", not sung yet"
		}
		p.say("%s.", words)
	}
	if m := p.state.mix; m != nil && !p.state.mixStale {
		p.say("all together: %.1f LUFS, true peak %.1f dBTP.", m.LUFS, m.PeakDBTP)
	}
}
