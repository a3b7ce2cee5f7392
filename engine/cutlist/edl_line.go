package cutlist

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
)

// edlEvent is one event line of a CMX 3600 list:
//
//	003  REEL     V     D    024 01:00:04:14 01:00:05:14 01:00:10:00 01:00:11:00
//
// event number, source reel (BL is black), channels, transition (C cut, D
// dissolve, Wnnn wipe, K key) with its length in frames unless it is a cut,
// source in and out, record in and out; outs are exclusive. The form is
// SMPTE ST 258 (from memory).
type edlEvent struct {
	line       int
	number     string
	reel       string
	tracks     string
	transition byte // C, D, W or K; B for the background of a key
	length     int64
	code       [4]string // source in, source out, record in, record out, as written
	in, out    int64     // record, in frames of the reference

	from, to string // clip names from comments
	retimed  bool   // an M2 line follows: the source runs at another speed
	carried  carried
}

const (
	sourceIn = iota
	sourceOut
	recordIn
	recordOut
)

const black = "BL"

// parseEvent reads an event line from its words; times are not judged yet.
func parseEvent(words []string, line int) (edlEvent, error) {
	e := edlEvent{line: line, number: words[0]}
	first := -1
	for i, w := range words {
		if isCode(w) {
			first = i
			break
		}
	}
	if first < 0 || len(words) < first+4 {
		return e, fmt.Errorf("an event has four time codes: source in, source out, record in, record out")
	}
	for i := range e.code {
		if e.code[i] = words[first+i]; !isCode(e.code[i]) {
			return e, fmt.Errorf("%q is not a time code HH:MM:SS:FF", clip(e.code[i]))
		}
	}
	if len(words) > first+4 {
		return e, fmt.Errorf("%q stands after the last time code", clip(words[first+4]))
	}
	head, err := e.takeTransition(words[1:first])
	if err != nil {
		return e, err
	}
	if len(head) < 2 {
		return e, fmt.Errorf("an event has a number, a reel, channels and a transition before its time codes")
	}
	e.tracks = strings.ToUpper(head[len(head)-1])
	e.reel = strings.Join(head[:len(head)-1], " ")
	return e, nil
}

// takeTransition reads the transition at the end of words and gives what
// stands before it.
func (e *edlEvent) takeTransition(words []string) ([]string, error) {
	n := len(words)
	if n >= 2 && isDigits(words[n-1]) && len(words[n-1]) <= 6 {
		e.length, _ = strconv.ParseInt(words[n-1], 10, 64)
		n--
	}
	if n >= 2 && strings.EqualFold(words[n-1], "B") && strings.EqualFold(words[n-2], "K") {
		n--
		e.transition = 'B'
		return words[:n-1], nil
	}
	if n == 0 {
		return nil, fmt.Errorf("an event has a number, a reel, channels and a transition before its time codes")
	}
	t := strings.ToUpper(words[n-1])
	switch {
	case t == "C", t == "D", t == "K":
		e.transition = t[0]
	case t == "KB":
		e.transition = 'B'
	case t == "KO":
		e.transition = 'K'
	case t[0] == 'W' && len(t) <= 4 && (len(t) == 1 || isDigits(t[1:])):
		e.transition = 'W'
	default:
		return nil, fmt.Errorf("transition %q is not one of C, D, W and its number, K", clip(words[n-1]))
	}
	return words[:n-1], nil
}

// place reads the record times as frames of the reference. A time before the
// reference's start comes out negative, when it is within half a day.
func (e *edlEvent) place(a Axis) error {
	for i, to := range map[int]*int64{recordIn: &e.in, recordOut: &e.out} {
		tc, err := a.Rate.ParseTimecode(e.code[i])
		if err != nil {
			return err
		}
		*to = a.around(tc)
	}
	if e.out < e.in {
		if e.out != 0 || a.Frames < a.Rate.DayFrames() {
			return fmt.Errorf("record out %s comes before record in %s", e.code[recordOut], e.code[recordIn])
		}
		e.out = a.Rate.DayFrames() // a reference of a whole day ends on the label it began with
	}
	return nil
}

// around is where a time code stands from the reference's start, before it
// when that is nearer and it is not inside the reference.
func (a Axis) around(tc int64) int64 {
	f, day := a.onClock(tc), a.Rate.DayFrames()
	if f > a.Frames && day-f < f-a.Frames {
		f -= day
	}
	return f
}

// picture says whether the channels hold the first picture channel (V, V1, B
// for both, AA/V), and whether a further one (V2).
func (e edlEvent) picture() (first, further bool) {
	for _, t := range strings.FieldsFunc(e.tracks, func(c rune) bool { return c == '/' || c == ',' || c == '+' }) {
		if t == "B" {
			first = true
		}
		v := strings.IndexByte(t, 'V')
		if v < 0 {
			continue
		}
		if digits := strings.TrimLeft(t[v+1:], "0"); digits == "" || digits == "1" {
			first = true
		} else if isDigits(digits) {
			further = true
		}
	}
	return first, further
}

func (e edlEvent) soft() bool { return e.transition == 'D' || e.transition == 'W' }

// tailOf says that e only carries on what p mixed in: lists that keep a
// transition in an event of its own go on with a cut from the same reel, clip
// and source frame, at which no picture changes.
func (e edlEvent) tailOf(p edlEvent) bool {
	return p.soft() && p.out-p.in == p.length && e.transition == 'C' && e.in == p.out && e.in < e.out && e.carried.empty() &&
		!p.retimed && strings.EqualFold(e.reel, p.reel) && e.from == p.to && codeFrames(e.code[sourceIn], 100) == codeFrames(p.code[sourceOut], 100)
}

// isCode says whether a word has the shape of a time code.
func isCode(w string) bool {
	digits, marks := 0, 0
	for i := 0; i < len(w); i++ {
		switch c := w[i]; {
		case c >= '0' && c <= '9':
			digits++
		case (c == ':' || c == ';' || c == '.') && digits > 0:
			marks++
		default:
			return false
		}
	}
	return marks == 3 && digits >= 4 && digits <= 9
}

func isDigits(w string) bool {
	for i := 0; i < len(w); i++ {
		if w[i] < '0' || w[i] > '9' {
			return false
		}
	}
	return w != ""
}

// codeFrames is a time code's place in plain (non-drop) counting of nominal
// frames a second. The word must be isCode.
func codeFrames(w string, nominal int64) int64 {
	var v [4]int64
	n := 0
	for i := 0; i < len(w); i++ {
		if c := w[i]; c >= '0' && c <= '9' {
			v[n] = v[n]*10 + int64(c-'0')
		} else {
			n++
		}
	}
	return ((v[0]*60+v[1])*60+v[2])*nominal + v[3]
}

// codeFrame is the frame number of a time code's label: 12 of 01:00:00:12.
func codeFrame(w string) int64 {
	n, _ := strconv.ParseInt(w[strings.LastIndexAny(w, ":;.")+1:], 10, 64)
	return n
}

func codeDrops(w string) bool { return strings.Contains(w, ";") }

// rateWords names a rate to a person: "24000/1001 (24 frames in a second of time code)".
func rateWords(r timecode.Rate) string {
	mode := ""
	if r.Drop {
		mode = ", drop-frame"
	}
	return fmt.Sprintf("%s (its time code counts %d%s)", timecode.Rate{Num: r.Num, Den: r.Den}, r.Nominal(), mode)
}
