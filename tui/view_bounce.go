package tui

import "fmt"

// step is a line of the list of what a stem needs.
type step struct {
	done  bool
	words string
}

// checklist is what there is and what is missing before a bounce.
func (s *State) checklist() []step {
	sh := s.sheet
	caught, judged, findings := 0, 0, 0
	for _, h := range sh.Hits {
		if h.Place != "" && h.Caught {
			caught++
		}
	}
	for i := range sh.layers {
		if l := &sh.layers[i]; l.Sung && l.Judged {
			judged++
			findings += len(l.Findings)
		}
	}
	return []step{
		{sh.Frames > 0, fmt.Sprintf("reference: %d frames, %d samples", sh.Frames, sh.lastSample())},
		{len(sh.Bars) > 0, plural(len(sh.Bars), "bar") + " on the map"},
		{len(sh.Hits) > 0 && caught == len(sh.Hits), fmt.Sprintf("%d of %s caught", caught, plural(len(sh.Hits), "hit"))},
		{sh.sung > 0 && sh.sung == len(sh.layers), fmt.Sprintf("%d of %s sung", sh.sung, plural(len(sh.layers), "layer"))},
		{judged == sh.sung && sh.sung > 0, fmt.Sprintf("%d of %d listened to", judged, sh.sung)},
		{findings == 0 && judged > 0, plural(findings, "finding") + " left to mend"},
	}
}

func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// bouncing is the list, the wishes, and what was written.
func (v *view) bouncing() {
	b := v.layout.body
	lines := []line{}
	for i, st := range v.checklist() {
		name, mark, ink := "", v.glyphs.open, InkWant
		if i == 0 {
			name = "what there is"
		}
		if st.done {
			mark, ink = v.glyphs.done, InkSung
		}
		lines = append(lines, line{name, fmt.Sprintf("%c %s", mark, st.words), ink})
	}
	lines = append(lines, line{"the stem", v.bounceWords(), InkPlain})
	lines = append(lines, v.bouncedLines()...)
	if over := len(lines) - b.rows; over > 0 && v.bounced != nil { // the result comes first
		lines = lines[over:]
	}
	for row := 0; row < b.rows && row < len(lines); row++ {
		v.name(b.at+row, lines[row].name, InkQuiet)
		v.text(v.x(0), b.at+row, v.W-v.x(0)-1, lines[row].words, lines[row].ink)
	}
}

// bounceWords are the wishes for the next bounce.
func (v *view) bounceWords() string {
	words := fmt.Sprintf("%d bits", v.Bits)
	if v.Bits == 32 {
		words = "32 bits, floating"
	}
	if t := targets()[v.Target]; t != 0 {
		words += fmt.Sprintf(", brought to %.0f LUFS", t)
	} else {
		words += ", as loud as mixed"
	}
	words += ", true peak at most -1 dBTP"
	if v.Stems {
		words += ", a stem for each group too"
	}
	return words
}

func (v *view) bouncedLines() []line {
	r := v.bounced
	if r == nil {
		return []line{{"", "enter writes it", InkQuiet}}
	}
	exact := "exactly the reference's"
	if r.Samples != v.sheet.lastSample() {
		exact = fmt.Sprintf("NOT the reference's %d", v.sheet.lastSample())
	}
	out := []line{
		{"written", fmt.Sprintf("%d samples at %d Hz, %s", r.Samples, r.SampleRate, exact), InkTitle},
		{"", fmt.Sprintf("%.1f LUFS, true peak %.1f dBTP, range %.1f LU", r.LUFS, r.PeakDBTP, r.RangeLU), InkPlain},
		{"", fmt.Sprintf("%d bits, %d layers, gain %.1f dB", r.Bits, r.Layers, r.GainDB), InkPlain},
	}
	if n := len(r.LeftOut); n > 0 {
		out = append(out, line{"left out", joined(", ", r.LeftOut...), InkWant})
	}
	for i, f := range r.Files {
		name := ""
		if i == 0 {
			name = "it lies at"
		}
		out = append(out, line{name, f, InkSung})
	}
	return out
}
