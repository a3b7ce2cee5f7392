package check

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"cuechoir/engine/pitch"
	"cuechoir/engine/timecode"
	"cuechoir/engine/timing"
	"cuechoir/engine/tuning"
	"cuechoir/internal/dsp"
)

// Kinds of findings between layers.
const (
	Sour  Kind = "sour"  // a note that spoils its chords, though it may be near its own target
	Apart Kind = "apart" // two layers of one part do not begin together
)

// Heard is a layer that was checked.
type Heard struct {
	Name    string
	Targets []Target
	Report  Report
}

// BetweenOptions of Between; the zero value stands for 48 kHz and no frames.
type BetweenOptions struct {
	SampleRate  int
	Rate        timecode.Rate
	StartFrame  int64 // the time code of frame 0
	System      tuning.System
	ListenCents float64 // a blamed note is told from here on; 0: 25
}

// ChordResult is a chord and where it stands: Members' Layer and Note are
// indexes into the layers and into their targets.
type ChordResult struct {
	tuning.Chord
	Bar   int
	Beat  string
	Frame int64
}

// Double is how two layers of one part (octaves apart or not) agree. The
// figures are of B less A, over Notes that both sang.
type Double struct {
	A, B                             int // layers
	Notes                            int
	Milliseconds, SpreadMilliseconds float64 // median, 1.4826 median absolute deviation
	Within30                         float64 // share of the notes
	Cents, SpreadCents               float64
}

// BetweenFinding is a finding on a layer that shows only beside others (With).
// Its Finding.Note is an index into the layer's targets.
type BetweenFinding struct {
	Layer int
	With  []int
	Finding
}

// Harmony is what is heard between layers. Findings are worst first, and tell
// nothing that a layer's own findings tell already.
type Harmony struct {
	Chords   []ChordResult
	Doubles  []Double
	Findings []BetweenFinding
}

// apartMilliseconds: two voices that begin within it are heard as together.
// Players of trios begin 30 to 50 ms apart (Rasch 1979, Acustica 43, from memory).
const (
	apartMilliseconds = 50.0
	closeMilliseconds = 30.0
	doubleShare       = 0.8 // of the notes that two layers must share to be doubles
	doubleNotes       = 4
	readSeconds       = 0.3  // a stretch that a pitch is read anew in
	readSettle        = 0.08 // of a note, before it is read
	readApart         = 60.0 // cents; a reading further from the note's is none
)

// between is the work of Between.
type between struct {
	layers []Heard
	o      BetweenOptions
	held   [][]tuning.Held
	target [][]int // of held notes
	out    Harmony
}

// Between judges chords and doubles of layers. Errors: OverLimit, Usage.
func Between(layers []Heard, o BetweenOptions) (Harmony, error) {
	if o.ListenCents <= 0 {
		o.ListenCents = tuning.ListenCents
	}
	if o.SampleRate <= 0 {
		o.SampleRate = 48000
	}
	if err := o.System.Validate(); err != nil {
		return Harmony{}, err
	}
	b := &between{layers: layers, o: o}
	b.hold()
	chords, err := tuning.Chords(b.held, o.SampleRate, tuning.ChordOptions{System: o.System, Read: b.read})
	if err != nil {
		return Harmony{}, err
	}
	for _, c := range chords {
		first := c.Members[0]
		for i := range c.Members {
			m := &c.Members[i]
			m.Note = b.target[m.Layer][m.Note]
			if layers[m.Layer].Targets[m.Note].Start > layers[first.Layer].Targets[first.Note].Start || i == 0 {
				first = *m // the note that completes the chord says where it is
			}
		}
		t := layers[first.Layer].Targets[first.Note]
		b.out.Chords = append(b.out.Chords, ChordResult{c, t.Bar, t.Beat, b.frame(c.From)})
	}
	b.findSour()
	b.findDoubles()
	slices.SortStableFunc(b.out.Findings, func(x, y BetweenFinding) int { return compareSeverity(x.Finding, y.Finding) })
	return b.out, nil
}

func compareSeverity(x, y Finding) int {
	switch {
	case x.Severity > y.Severity:
		return -1
	case x.Severity < y.Severity:
		return 1
	}
	return int(max(-1, min(1, x.Sample-y.Sample)))
}

func (b *between) frame(sample int64) int64 {
	if b.o.Rate.Validate() != nil {
		return 0
	}
	return b.o.Rate.FrameOf(sample, b.o.SampleRate)
}

// hold lists each layer's notes that were read as what they should be: a wrong
// note is told by itself.
func (b *between) hold() {
	b.held, b.target = make([][]tuning.Held, len(b.layers)), make([][]int, len(b.layers))
	for k, l := range b.layers {
		for _, r := range l.Report.Notes {
			if r.Target < 0 || r.Target >= len(l.Targets) || l.Targets[r.Target].Unpitched || !r.judged() {
				continue
			}
			t := l.Targets[r.Target]
			key := int(math.Round(t.Key))
			b.held[k] = append(b.held[k], tuning.Held{Start: t.Start, End: t.End, Key: key, Onset: r.Onset, Offset: r.Offset,
				Cents: b.o.System.Cents(t.Key, t.Start) + r.Cents})
			b.target[k] = append(b.target[k], r.Target)
		}
		order := make([]int, len(b.held[k]))
		for i := range order {
			order[i] = i
		}
		held, target := slices.Clone(b.held[k]), slices.Clone(b.target[k])
		slices.SortStableFunc(order, func(x, y int) int { return int(max(-1, min(1, held[x].Start-held[y].Start))) })
		for to, from := range order {
			b.held[k][to], b.target[k][to] = held[from], target[from]
		}
	}
}

// judged: the note's pitch was read, and it is the right note.
func (r NoteResult) judged() bool {
	return r.Sung && (r.Verdict == VerdictGood || r.Verdict == VerdictListen || r.Verdict == VerdictResing)
}

// read is a note's pitch within a chord.
func (b *between) read(layer, note int, from, to int64) (float64, bool) {
	n := b.held[layer][note]
	from = max(from, n.Onset+int64(readSettle*float64(b.o.SampleRate)))
	if to-from < int64(readSeconds*float64(b.o.SampleRate)) {
		return 0, false
	}
	frames := b.layers[layer].Report.Pitch
	at := func(s int64) int {
		i, _ := slices.BinarySearchFunc(frames, s, func(f pitch.Frame, s int64) int { return int(max(-1, min(1, f.Sample-s))) })
		return i
	}
	m, ok := pitch.Measure(frames[at(from):at(to)], b.o.SampleRate)
	return m.CentreCents, ok && math.Abs(m.CentreCents-n.Cents) < readApart
}

// findSour tells each note that is to blame for its chords once, by the chord
// that it spoils most.
func (b *between) findSour() {
	type noteOf struct{ layer, note int }
	worst := map[noteOf]int{}
	for i, c := range b.out.Chords {
		if c.Blame < 0 || math.Abs(c.MoveCents) < b.o.ListenCents {
			continue
		}
		k := noteOf{c.Members[c.Blame].Layer, c.Members[c.Blame].Note}
		if at, ok := worst[k]; !ok || c.Gain > b.out.Chords[at].Gain {
			worst[k] = i
		}
	}
	for i, c := range b.out.Chords {
		if c.Blame < 0 {
			continue
		}
		m := c.Members[c.Blame]
		if at, ok := worst[noteOf{m.Layer, m.Note}]; !ok || at != i || b.told(m.Layer, m.Note) {
			continue
		}
		f := b.findingAt(Sour, m.Layer, m.Note, c.From)
		f.Cents = -c.MoveCents
		f.Severity = math.Abs(c.MoveCents) / b.o.ListenCents
		for j, o := range c.Members {
			if j != c.Blame && !slices.Contains(f.With, o.Layer) {
				f.With = append(f.With, o.Layer)
			}
		}
		f.Words = b.place(f) + b.saySour(f, c)
		b.out.Findings = append(b.out.Findings, f)
	}
}

// told: the layer's own findings tell already that this note is off in pitch.
func (b *between) told(layer, note int) bool {
	return slices.ContainsFunc(b.layers[layer].Report.Findings, func(f Finding) bool {
		switch f.Kind {
		case Flat, Sharp, Wrong:
			return f.Note == note
		case TunedLow, TunedHigh, Drift:
			return true
		}
		return false
	})
}

func (b *between) findingAt(kind Kind, layer, note int, sample int64) BetweenFinding {
	t := b.layers[layer].Targets[note]
	return BetweenFinding{Layer: layer, Finding: Finding{Kind: kind, Note: note, Bar: t.Bar, Beat: t.Beat, Sample: sample, Frame: b.frame(sample)}}
}

func (b *between) place(f BetweenFinding) string {
	l := layer{in: Input{Rate: b.o.Rate, Targets: b.layers[f.Layer].Targets}}
	return l.place(f.Finding)
}

// names joins layers' names for a sentence.
func (b *between) names(layers []int) string {
	var out []string
	for _, k := range layers {
		out = append(out, b.layers[k].Name)
	}
	if n := len(out); n > 1 {
		return strings.Join(out[:n-1], ", ") + " and " + out[n-1]
	}
	return strings.Join(out, "")
}

func (b *between) saySour(f BetweenFinding, c ChordResult) string {
	way, to := "flat", "higher"
	if f.Cents > 0 {
		way, to = "sharp", "lower"
	}
	beat := 0.0
	for _, v := range c.Intervals {
		if v.Low == c.Blame || v.High == c.Blame {
			beat = max(beat, v.BeatHz)
		}
	}
	s := fmt.Sprintf("%.0f cents %s against %s", math.Abs(f.Cents), way, b.names(f.With))
	if beat <= roughHz {
		s += fmt.Sprintf(", which beats %.0f times a second", beat)
	}
	return s + fmt.Sprintf(": sing it again a little %s, with them in your ear", to)
}

// roughHz: faster beats are heard as roughness and not one by one (Helmholtz
// 1863, from memory).
const roughHz = 15.0

// findDoubles looks for layers of one part.
func (b *between) findDoubles() {
	for i := range b.layers {
		for j := i + 1; j < len(b.layers); j++ {
			pairs := b.sharedNotes(i, j)
			if len(pairs) < doubleNotes || float64(len(pairs)) < doubleShare*float64(max(len(b.layers[i].Targets), len(b.layers[j].Targets))) {
				continue
			}
			b.judgeDouble(i, j, pairs)
		}
	}
}

// sharedNotes are the targets that two layers have in common.
func (b *between) sharedNotes(i, j int) [][2]int {
	type place struct {
		start     int64
		class     int
		unpitched bool
	}
	key := func(t Target) place {
		if t.Unpitched {
			return place{t.Start, 0, true}
		}
		return place{t.Start, int(math.Round(t.Key)) % 12, false}
	}
	where := map[place]int{}
	for k, t := range b.layers[i].Targets {
		where[key(t)] = k
	}
	var out [][2]int
	for k, t := range b.layers[j].Targets {
		if at, ok := where[key(t)]; ok {
			out = append(out, [2]int{at, k})
		}
	}
	return out
}

func (b *between) judgeDouble(i, j int, pairs [][2]int) {
	x, y := b.layers[i].Report, b.layers[j].Report
	if len(x.Notes) < len(b.layers[i].Targets) || len(y.Notes) < len(b.layers[j].Targets) {
		return // not sung
	}
	var ms, cents []float64
	d := Double{A: i, B: j}
	for _, p := range pairs {
		m, n := x.Notes[p[0]], y.Notes[p[1]]
		if !m.Timed() || !n.Timed() {
			continue
		}
		off := n.Milliseconds - m.Milliseconds
		ms = append(ms, off)
		if math.Abs(off) <= closeMilliseconds {
			d.Within30++
		}
		if m.judged() && n.judged() && !b.layers[i].Targets[p[0]].Unpitched {
			cents = append(cents, n.Cents-m.Cents)
		}
		if beside := n.RelativeMilliseconds - m.RelativeMilliseconds; math.Abs(beside) > apartMilliseconds {
			b.findApart(i, j, p, beside)
		}
	}
	if len(ms) == 0 {
		return
	}
	bias, tune := timing.FindBias(ms), tuning.Summarise(cents)
	d.Notes, d.Within30 = len(ms), d.Within30/float64(len(ms))
	d.Milliseconds, d.SpreadMilliseconds = bias.Milliseconds, bias.SpreadMilliseconds
	d.Cents, d.SpreadCents = tune.BiasCents, tune.SpreadCents
	b.out.Doubles = append(b.out.Doubles, d)
}

// Timed reports whether the note's entry was read.
func (r NoteResult) Timed() bool {
	return r.Sung && r.Verdict != VerdictNotJudged && r.Verdict != VerdictMissing && r.Verdict != VerdictExtra
}

// findApart blames the one of two that lies further from the beat.
func (b *between) findApart(i, j int, pair [2]int, ms float64) {
	m, n := b.layers[i].Report.Notes[pair[0]], b.layers[j].Report.Notes[pair[1]]
	layer, with, note, at := j, i, pair[1], n.Onset
	if math.Abs(m.RelativeMilliseconds) > math.Abs(n.RelativeMilliseconds) {
		layer, with, note, at, ms = i, j, pair[0], m.Onset, -ms
	}
	own := func(l, k int) bool {
		return slices.ContainsFunc(b.layers[l].Report.Findings, func(f Finding) bool { return f.Note == k && (f.Kind == Early || f.Kind == Late) })
	}
	if own(i, pair[0]) || own(j, pair[1]) {
		return
	}
	f := b.findingAt(Apart, layer, note, at)
	f.With, f.Milliseconds, f.Frames, f.Severity = []int{with}, ms, timing.Frames(ms, b.o.Rate), math.Abs(ms)/apartMilliseconds
	way := "after"
	if ms < 0 {
		way = "before"
	}
	f.Words = b.place(f) + fmt.Sprintf("%.0f ms %s its double %s: sing it again with %s in your ear", math.Abs(ms), way, b.names(f.With), b.names(f.With))
	b.out.Findings = append(b.out.Findings, f)
}

// MedianError is the median size of the errors of all intervals, cents; 0 of
// none. Equal and just are the medians against these alone.
func (h Harmony) MedianError() (nearer, equal, just float64) {
	var n, e, j []float64
	for _, c := range h.Chords {
		for _, v := range c.Intervals {
			n, e, j = append(n, v.Error()), append(e, math.Abs(v.EqualCents)), append(j, math.Abs(v.JustCents))
		}
	}
	return dsp.Median(n), dsp.Median(e), dsp.Median(j)
}
