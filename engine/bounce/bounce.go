// Package bounce renders a mix to files that drop on a timeline: stereo
// broadcast wave stems of an exact number of samples from timeline 0, within
// a true-peak ceiling, measured as they were written. The desk is rendered once
// into a passing file and measured; from there the gain is set, the limiter
// works if it is wished, and the stem is written. What is written is the same to
// the bit on every run. A bounce that fails or is stopped leaves no file behind,
// and the file that stood there before as it was.
package bounce

import (
	"context"
	"io"
	"path/filepath"
	"time"

	"cuechoir/engine/loudness"
	"cuechoir/engine/mix"
	"cuechoir/internal/fault"
)

// Defaults of Options.
const (
	DefaultSampleRate  = 48000
	DefaultBits        = 24
	DefaultCeilingDBTP = -1.0 // EBU R 128: maximum permitted true peak -1 dBTP
	DefaultOriginator  = "cuechoir"
)

// Options says what to write. Path and Length are needed; the zero value of
// all else is its default.
type Options struct {
	Path       string // a .wav file in a folder that exists; a file that stands there is replaced once all is written
	KeepOld    bool   // refuse (Conflict) rather than replace a file
	SampleRate int    // Hz; 0 is 48000; the sources must be at this rate
	Length     int64  // samples: the length of the reference
	Bits       int    // 24 (also 0), 16 (TPDF dither, the same on every run) or 32 (float)
	Block      int    // samples worked on at a time; 0 is mix.DefaultBlock; no effect on the result
	Cores      int    // as in mix.Options; no effect on the result

	MasterGainDB float64                      // before target and ceiling
	TargetLUFS   *float64                     // integrated loudness to reach, -70 to 0; nil leaves the level alone; the ceiling comes first
	CeilingDBTP  float64                      // true peak that is never passed, -60 to just under 0; 0 is -1
	Limit        bool                         // where the ceiling is passed the peaks alone are lowered, not the whole mix
	Colour       func(stereo []float32) error // works in place on the whole mix, interleaved, before target and ceiling; nil: as it is; not on stems
	Stems        bool                         // also a file for each group, at the same gain: PATH_GROUP.wav

	TimeReference       int64     // samples since midnight of timeline 0: the reference's start timecode
	Originator          string    // 0 to 32 characters; "" is "cuechoir"
	OriginatorReference string    // 0 to 32 characters
	Description         string    // 0 to 256 characters
	Created             time.Time // goes into bext as it is written on the clock; zero leaves date and time empty

	Progress func(done, total int64) // samples over all passes; may be nil
}

// Opener gives the desk with its sources at their start. It is called once a
// pass and must give the same desk, and the same sound, each time. Sources that
// are io.Closer are closed when the pass ends.
type Opener func() (mix.Desk, error)

// File is one file as it was written; its loudness is that of the very
// samples in it, rounding and dither included.
type File struct {
	Path     string
	Group    string // "" for the mix, and for the stem of layers without a group
	Loudness loudness.Result
}

// Result is what a bounce made.
type Result struct {
	Mix   File
	Stems []File // in the order in which the groups first appear
	// GainDB is the gain of every file; TrimDB, 0 or less, is how much of it
	// went to keep the true peak below the ceiling.
	GainDB, TrimDB float64
	// LimitedDB is the most that the limiter took from a peak, 0 or more.
	LimitedDB float64
	// TargetMissLU is the loudness written minus TargetLUFS; 0 without a
	// target. Below zero where the ceiling did not allow the target.
	TargetMissLU float64
}

// Bounce measures the mix, sets its gain and writes it. Errors: Usage for
// options out of range, Missing for no layer to bounce or no folder, NotMet
// for a target that silence cannot reach or a stem that would clip, Conflict,
// DiskFull, Interrupted, or what the failing layer said.
func Bounce(ctx context.Context, open Opener, o Options) (Result, error) {
	return bounce(ctx, open, o, osDisk{})
}

func bounce(ctx context.Context, open Opener, o Options, d disk) (Result, error) {
	o, err := o.checked()
	if err != nil {
		return Result{}, err
	}
	sweep(filepath.Dir(o.Path), time.Now())
	j := &job{ctx: ctx, open: open, o: o, out: newOutputs(d, o)}
	res, err := j.run()
	j.out.dropScratch()
	if err != nil {
		j.out.discard()
		return Result{}, err
	}
	return res, nil
}

func (o Options) checked() (Options, error) {
	if o.SampleRate == 0 {
		o.SampleRate = DefaultSampleRate
	}
	if o.Bits == 0 {
		o.Bits = DefaultBits
	}
	if o.CeilingDBTP == 0 {
		o.CeilingDBTP = DefaultCeilingDBTP
	}
	if o.Originator == "" {
		o.Originator = DefaultOriginator
	}
	if err := checkPath(o.Path); err != nil {
		return o, err
	}
	bad := func(format string, args ...any) error { return fault.New(fault.Usage, format, args...).In(o.Path, "") }
	switch {
	case o.Length < 1:
		return o, bad("a stem of %d samples has no length", o.Length)
	case o.Bits != 16 && o.Bits != 24 && o.Bits != 32:
		return o, bad("%d bits cannot be written: use 16, 24 or 32 (float)", o.Bits)
	case !(o.CeilingDBTP >= -60 && o.CeilingDBTP < 0):
		return o, bad("a ceiling of %g dBTP is not between -60 and 0", o.CeilingDBTP)
	case o.TargetLUFS != nil && !(*o.TargetLUFS >= -70 && *o.TargetLUFS <= 0):
		return o, bad("a target of %g LUFS is not between -70 and 0", *o.TargetLUFS)
	case o.TimeReference < 0:
		return o, bad("a time reference of %d samples is before midnight", o.TimeReference)
	}
	return o, nil
}

// job is one bounce at work.
type job struct {
	ctx    context.Context
	open   Opener
	o      Options
	out    *outputs
	passes int64 // in all
	pass   int64 // done
	layers int   // of the first pass: later ones must give as many
}

func (j *job) run() (Result, error) {
	groups, err := j.survey()
	if err != nil {
		return Result{}, err
	}
	if err := j.out.plan(groups); err != nil {
		return Result{}, err
	}
	j.passes = 2 + int64(len(groups))
	draft, m, err := j.draft()
	if err != nil {
		return Result{}, err
	}
	if j.o.Colour != nil {
		if draft, m, err = j.coloured(draft); err != nil {
			return Result{}, err
		}
	}
	res, err := j.master(draft, m)
	if err != nil {
		return Result{}, err
	}
	for i := range groups {
		f, err := j.stem(j.out.files[1+i], groups[i], res.GainDB)
		if err != nil {
			return Result{}, err
		}
		res.Stems = append(res.Stems, f)
	}
	return res, j.out.publish()
}

// survey looks at the strips once: how many, and the groups that sound, in
// order; no groups when no stems are asked for.
func (j *job) survey() ([]string, error) {
	desk, err := j.open()
	if err != nil {
		return nil, err
	}
	strips := desk.Strips
	defer closeAll(strips)
	j.layers = len(strips)
	muted := map[string]bool{}
	for _, g := range desk.Groups {
		muted[g.Name] = g.Mute
	}
	sounding := 0
	var groups []string
	seen := map[string]bool{}
	for _, s := range strips {
		if s.Mute || muted[s.Group] {
			continue
		}
		sounding++
		if !seen[s.Group] {
			seen[s.Group] = true
			groups = append(groups, s.Group)
		}
	}
	switch {
	case len(strips) == 0:
		return nil, fault.New(fault.Missing, "there is no layer to bounce").In(j.o.Path, "").Mended("sing a take first")
	case sounding == 0:
		return nil, fault.New(fault.Missing, "every layer is muted").In(j.o.Path, "").Mended("unmute one")
	case !j.o.Stems:
		return nil, nil
	}
	return groups, nil
}

// render runs one pass over the desk, or over one group's share of it before
// the master.
func (j *job) render(only *string, gainDB float64, sink func([]float32) error) error {
	desk, err := j.open()
	if err != nil {
		return err
	}
	defer closeAll(desk.Strips)
	if len(desk.Strips) != j.layers {
		return fault.New(fault.Unexpected, "the mix changed while it was bounced: %d layers became %d", j.layers, len(desk.Strips)).In(j.o.Path, "")
	}
	done := j.nextPass()
	return mix.Render(j.ctx, desk, mix.Options{SampleRate: j.o.SampleRate, Length: j.o.Length, Block: j.o.Block, Cores: j.o.Cores, MasterGainDB: gainDB, Only: only},
		sink, func(at, _ int64) { j.tell(done + at) })
}

// nextPass begins a pass and gives the samples of those before.
func (j *job) nextPass() int64 {
	done := j.pass * j.o.Length
	j.pass++
	return done
}

func (j *job) tell(done int64) {
	if j.o.Progress != nil {
		j.o.Progress(done, j.passes*j.o.Length)
	}
}

func closeAll(strips []mix.Strip) {
	for _, s := range strips {
		if c, ok := s.Source.(io.Closer); ok {
			_ = c.Close() // only read from
		}
	}
}
