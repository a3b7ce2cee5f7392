// Package check listens to one recorded layer and says what to sing again
// first: notes out of tune or out of time, wrong, missing or extra, a layer
// that drifts or lies low, late or early as a whole, dropouts and clipping.
//
// It accuses only what it is sure of: a note that it cannot read well is told
// as not judged. When the layer drifts, notes are held against the drift, and
// the drift is one finding of its own.
package check

import (
	"slices"
	"sort"

	"cuechoir/engine/pitch"
	"cuechoir/engine/timecode"
	"cuechoir/engine/timing"
	"cuechoir/engine/tuning"
	"cuechoir/internal/fault"
)

// Target is a note of the part. Start and End are samples on the timeline, End
// over Start; Key a MIDI key (69 = A4 = 440 Hz), fractions allowed, ignored
// when Unpitched. Bar, Beat ("3", "3.5") and Name (lyric or note name) are for
// words only.
type Target struct {
	Start, End int64
	Key        float64
	Unpitched  bool
	Bar        int
	Beat       string
	Name       string
}

// Dropout is a hole known from the device, in samples on the timeline.
type Dropout struct{ Sample, Length int64 }

// Options of Layer; the zero value is good.
type Options struct {
	Pitch       pitch.Options
	Segment     pitch.SegmentOptions
	Tolerance   timing.Tolerance // of entries; 0: EBU R 37, 40 ms early, 60 ms late
	Scale       tuning.Scale     // used without a part; zero: all twelve notes
	ListenCents float64          // notes further off are accused; 0: 25
	// System is what the notes should be; zero: equal temperament at 440 Hz.
	// Without a part an A4Hz of 0 leaves A4 free.
	System tuning.System
	FreeA4 bool // with a part: A4 is the layer's own, and only told
}

// Input is one layer. Samples are mono, ±1.0 full scale; Samples[0] stands at
// Start on the timeline. Without Targets the notes are held against the
// nearest note of Options.Scale, A4 free.
type Input struct {
	Samples    []float32
	Start      int64
	SampleRate int
	Rate       timecode.Rate
	Targets    []Target
	Dropouts   []Dropout
	Options    Options
}

// NoteResult is one note of the part (in the order of Input.Targets), then
// what was sung beside it (Target -1). Samples are on the timeline. Cents is
// sung minus target, DetrendedCents what is left of it beside the layer's
// drift or bias; without a part, against the scale. Milliseconds and Frames
// are how late the entry is (early: negative); RelativeMilliseconds is that
// beside the layer's own lateness. BendCents is how far the pitch moves from the
// note's first third to its last. SwellMilliseconds is how long after it
// begins a slow swell is heard as a note. Verdict is one of the Verdict constants.
// All figures are 0 where nothing was sung or read.
type NoteResult struct {
	Target                  int
	Sung                    bool
	Onset, Offset           int64
	Key                     float64 // what was aimed at
	Cents, DetrendedCents   float64
	Milliseconds, Frames    float64
	RelativeMilliseconds    float64
	SwellMilliseconds       float64
	ScoopCents, BendCents   float64
	VibratoHz, VibratoCents float64
	Confidence, LevelDB     float64
	Verdict                 string
}

// Verdicts on a note's pitch, or why there is none. Unpitched notes that were
// heard are VerdictGood.
const (
	VerdictGood      = "good"
	VerdictListen    = "listen again"
	VerdictResing    = "re-sing"
	VerdictWrong     = "wrong note"
	VerdictOctave    = "octave"
	VerdictMissing   = "missing"
	VerdictExtra     = "extra"
	VerdictNotJudged = "not judged"
)

// Kind of a finding.
type Kind string

const (
	Flat      Kind = "flat"
	Sharp     Kind = "sharp"
	Wrong     Kind = "wrong"
	Missing   Kind = "missing"
	Extra     Kind = "extra"
	Early     Kind = "early"
	Late      Kind = "late"
	Drift     Kind = "drift"
	TunedLow  Kind = "tuned-low"
	TunedHigh Kind = "tuned-high"
	AllEarly  Kind = "all-early"
	AllLate   Kind = "all-late"
	Dropped   Kind = "dropout"
	Clipping  Kind = "clipping"
	NoSound   Kind = "no-sound"
)

// Finding is one thing to mend. Note is an index into Input.Targets, or -1.
// Sample is on the timeline, Frame the picture frame there; Bar and Beat are
// those of the note, or of the last note begun. Severity is in multiples of
// what is tolerated: 1 is just beyond, larger is worse. Words is one plain
// line: where, what, and what to do.
type Finding struct {
	Kind                  Kind
	Note                  int
	Bar                   int
	Beat                  string
	Sample, Frame         int64
	Cents, CentsPerMinute float64
	Milliseconds, Frames  float64
	Severity              float64
	Words                 string
}

// Report on a layer. Findings are worst first. The cents figures are over the
// JudgedNotes; the shares are of raw cents, ErrorCents is the median size. Unsure
// counts pitched notes that were sung but could not be read well enough.
// Judged is the share of the targets' time (without a part: of the sung time)
// that could be judged. Pitch is the trace, samples on the timeline.
type Report struct {
	Notes                        []NoteResult
	Findings                     []Finding
	ErrorCents                   float64
	BiasCents, SpreadCents       float64
	Within10, Within25, Within50 float64
	JudgedNotes, Unsure          int
	Drift                        DriftReport
	A4Hz                         float64
	BiasMilliseconds             float64
	Judged                       float64
	Pitch                        []pitch.Frame
}

// DriftReport is how a layer moves in pitch as a whole: the straight Line
// through its notes (Significant or not), the Curve they truly follow, and,
// when it is Significant, where it went and by what. Points are notes, at their
// middles, cents from what they should be.
type DriftReport struct {
	tuning.Line
	Significant bool
	Points      []tuning.Point
	Curve       []tuning.Point
	Way         tuning.Way
	Cause       tuning.Cause // Times 0: none stands out
}

const (
	maxTargets = 20000
	maxSample  = 1 << 40 // half a year at 48 kHz: places beyond it are mistakes
)

// Layer listens to a layer and reports. Errors: a bad sample rate, picture
// rate, target or option; never the sound itself.
func Layer(in Input) (Report, error) {
	l, err := newLayer(in)
	if err != nil {
		return Report{}, err
	}
	if err := l.listen(); err != nil {
		return Report{}, err
	}
	switch {
	case l.silent():
		l.noSound()
	case len(in.Targets) == 0:
		l.judgeFree()
	default:
		if err := l.judgePart(); err != nil {
			return Report{}, err
		}
	}
	l.reportDefects()
	l.tellPlaces()
	sort.SliceStable(l.report.Findings, func(i, j int) bool {
		a, b := l.report.Findings[i], l.report.Findings[j]
		if a.Severity != b.Severity {
			return a.Severity > b.Severity
		}
		return a.Sample < b.Sample
	})
	return l.report, nil
}

// layer is the work on one Input.
type layer struct {
	in      Input    // Targets as the system tunes them ...
	written []Target // ... and as written
	order   []int    // targets by Start
	frames  []pitch.Frame
	notes   []pitch.Note // samples on the timeline
	holes   []Dropout    // found and known, on the timeline, in order
	clips   []clip
	hits    []timing.Onset // on the timeline; only with unpitched targets
	results []NoteResult   // per target
	line    func(sample int64) float64
	biasMS  float64
	typical float64 // dB, median level of the notes
	leaves  bool    // the drift goes beyond ListenCents
	report  Report
}

func newLayer(in Input) (*layer, error) {
	if err := in.Rate.Validate(); err != nil {
		return nil, fault.New(fault.Usage, "the picture rate cannot be used").Because(err)
	}
	if len(in.Targets) > maxTargets {
		return nil, fault.New(fault.OverLimit, "a part of %d notes is too long", len(in.Targets)).
			Mended("check it in parts of at most %d notes", maxTargets)
	}
	if in.Start < -maxSample || in.Start > maxSample {
		return nil, fault.New(fault.Usage, "the layer starts off the timeline, at sample %d", in.Start)
	}
	for i, d := range in.Dropouts {
		if d.Length < 0 || d.Sample < -maxSample || d.Sample > maxSample || d.Length > maxSample {
			return nil, fault.New(fault.Usage, "dropout %d of the device lies off the timeline", i+1).Mended("give places and lengths in samples")
		}
	}
	for i, t := range in.Targets {
		if t.Start < -maxSample || t.End > maxSample {
			return nil, fault.New(fault.Usage, "note %d of the part lies off the timeline", i+1).Mended("give places in samples")
		}
		if t.End <= t.Start {
			return nil, fault.New(fault.Usage, "note %d of the part ends before it starts", i+1).Mended("give it a length")
		}
		if !t.Unpitched && !(t.Key >= 0 && t.Key <= 127) {
			return nil, fault.New(fault.Usage, "note %d of the part has no key between 0 and 127", i+1).
				Mended("give it a key, or mark it as unpitched")
		}
	}
	if err := in.Options.System.Validate(); err != nil {
		return nil, err
	}
	if in.Options.ListenCents <= 0 {
		in.Options.ListenCents = tuning.ListenCents
	}
	in.Options.Tolerance = in.Options.Tolerance.Filled()
	written := in.Targets
	in.Targets = slices.Clone(written)
	for i := range in.Targets {
		if t := &in.Targets[i]; !t.Unpitched {
			t.Key = in.Options.System.Cents(t.Key, t.Start) / 100
		}
	}
	l := &layer{in: in, written: written, order: make([]int, len(in.Targets)), line: func(int64) float64 { return 0 }}
	for i := range l.order {
		l.order[i] = i
	}
	slices.SortStableFunc(l.order, func(a, b int) int {
		return int(max(-1, min(1, in.Targets[a].Start-in.Targets[b].Start)))
	})
	l.report.A4Hz = 440
	return l, nil
}

// listen reads pitch, notes, hits and defects.
func (l *layer) listen() error {
	in := l.in
	frames, err := pitch.Track(in.Samples, in.SampleRate, in.Options.Pitch)
	if err != nil {
		return err
	}
	notes := pitch.Segment(in.Samples, frames, in.SampleRate, in.Options.Segment)
	for i := range frames {
		frames[i].Sample += in.Start
	}
	for i := range notes {
		n := &notes[i]
		n.Attack, n.Onset, n.Offset = n.Attack+in.Start, n.Onset+in.Start, n.Offset+in.Start
		n.Murmur += in.Start
	}
	l.frames, l.report.Pitch = frames, frames
	l.findHoles()
	l.clips = findClips(in.Samples, in.SampleRate)
	l.notes = l.keepSung(l.joinOverHoles(notes))
	l.findLeads()
	l.liftDoubled()
	if slices.ContainsFunc(in.Targets, func(t Target) bool { return t.Unpitched }) {
		l.hits = timing.Onsets(in.Samples, in.SampleRate)
		for i := range l.hits {
			l.hits[i].Sample += in.Start
		}
	}
	return nil
}

func (l *layer) samples(seconds float64) int64 { return int64(seconds * float64(l.in.SampleRate)) }

func (l *layer) minutes(sample int64) float64 {
	return float64(sample) / float64(l.in.SampleRate) / 60
}

func (l *layer) add(f Finding) { l.report.Findings = append(l.report.Findings, f) }
