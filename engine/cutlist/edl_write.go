package cutlist

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"cuechoir/internal/fault"
)

const (
	// pictureReel is the reel of every event that is not black: AX, for a source
	// without a reel number. Its source times are the record times, since the
	// reference itself is the source.
	pictureReel = "AX"

	// longestEDLMix is the largest length that three digits hold; longer ones
	// are carried in our comment. (Old controllers stop at 255, from memory.)
	longestEDLMix = 999
)

// writeEDL writes a CMX 3600 edit decision list: one event a shot, on the
// record side from the reference's start to its end.
func writeEDL(w io.Writer, l List, a Axis) error {
	if a.Frames > a.Rate.DayFrames() {
		return fault.New(fault.Unsupported, "an edit decision list holds at most 24 hours")
	}
	spans, begun := layOut(l.Cuts, a.Frames)
	for i := range spans {
		if m := spans[i].into; m != nil {
			m.to = min(m.to, m.from+longestEDLMix)
		}
	}
	markCarried(spans, begun)
	e := edlWriter{w: bufio.NewWriter(w), a: a, markers: l.Markers}
	e.line("TITLE: " + encodeName(l.Title))
	e.line(map[bool]string{true: "FCM: DROP FRAME", false: "FCM: NON-DROP FRAME"}[a.Rate.Drop])
	var prev *span
	for i := range spans {
		if s := &spans[i]; s.at < s.end {
			e.event(*s, prev)
		}
		prev = &spans[i]
	}
	return e.w.Flush()
}

type edlWriter struct {
	w       *bufio.Writer // keeps its first error until Flush
	a       Axis
	number  int
	markers []Marker // those not written yet
}

func (e *edlWriter) line(s string) { _, _ = e.w.WriteString(strings.TrimRight(s, " ") + "\n") }

func (e *edlWriter) event(s span, prev *span) {
	e.number++
	transition := "C       "
	if s.into != nil {
		// the first line of two says from what the mix comes, and lasts no frame
		from := span{at: s.at, end: s.at, black: prev == nil || prev.black}
		e.times(from, transition)
		transition = fmt.Sprintf("D    %03d", s.into.to-s.into.from)
		if s.into.wipe {
			transition = fmt.Sprintf("W001 %03d", s.into.to-s.into.from)
		}
	}
	e.times(s, transition)
	e.comments(s, prev)
	for len(e.markers) > 0 && e.markers[0].Frame < s.end {
		m := e.markers[0]
		e.markers = e.markers[1:]
		e.line("* " + locComment + " " + e.a.timecode(m.Frame) + " WHITE   " + encodeName(m.Name))
	}
}

func (e *edlWriter) times(s span, transition string) {
	reel, source := pictureReel, e.a.Start+s.at
	if s.black {
		reel, source = black, 0
	}
	tc := e.a.Rate.Timecode
	e.line(fmt.Sprintf("%03d  %-8s V     %s %s %s %s %s", e.number, reel, transition,
		tc(source), tc(source+s.end-s.at), e.a.timecode(s.at), e.a.timecode(s.end)))
}

func (e *edlWriter) comments(s span, prev *span) {
	from, to := s.name, ""
	if s.into != nil {
		from, to = "", s.name
		if prev != nil {
			from = prev.name
		}
	}
	if from != "" {
		e.line("* " + fromComment + " " + encodeName(from))
	}
	if to != "" {
		e.line("* " + toComment + " " + encodeName(to))
	}
	k := s.carried
	if k.empty() && looksLikeTail(s, prev) {
		k.kind = HardCut
	}
	if !k.empty() {
		e.line("* " + ourComment + " " + k.words())
	}
}

// looksLikeTail says that a reader would take a hard cut for the tail of the
// transition before it; see edlEvent.tailOf.
func looksLikeTail(s span, prev *span) bool {
	return s.into == nil && prev != nil && prev.into != nil && prev.into.to == prev.end && prev.black == s.black && prev.name == s.name
}
