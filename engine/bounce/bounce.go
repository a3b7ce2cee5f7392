// Package bounce renders a mix to files that drop on a timeline: stereo
// broadcast wave stems of an exact number of samples from timeline 0, within
// a true-peak ceiling, measured as they were written. Two passes: one to
// measure, one to write. What is written is the same to the bit on every run.
// A bounce that fails or is stopped leaves no file behind, and the file that
// stood there before as it was.
package bounce

import (
	"context"
	"io"
	"math"
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

	MasterGainDB float64  // before target and ceiling
	TargetLUFS   *float64 // integrated loudness to reach, -70 to 0; nil leaves the level alone; the ceiling comes first
	CeilingDBTP  float64  // true peak that is never passed, -60 to just under 0; 0 is -1
	Stems        bool     // also a file for each group, at the same gain: PATH_GROUP.wav

	TimeReference       int64     // samples since midnight of timeline 0: the reference's start timecode
	Originator          string    // 0 to 32 characters; "" is "cuechoir"
	OriginatorReference string    // 0 to 32 characters
	Description         string    // 0 to 256 characters
	Created             time.Time // goes into bext as it is written on the clock; zero leaves date and time empty

	Progress func(done, total int64) // samples over all passes; may be nil
}

// Opener gives the strips with their sources at their start. It is called once
// a pass and must give the same strips, and the same sound, each time. Sources
// that are io.Closer are closed when the pass ends.
type Opener func() ([]mix.Strip, error)

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
	// GainDB is the master gain of every file; TrimDB, 0 or less, is how much
	// of it went to keep the true peak below the ceiling.
	GainDB, TrimDB float64
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
	ctx         context.Context
	open        Opener
	o           Options
	out         *outputs
	passes      int64 // in all
	pass        int64 // done
	layers      int   // of the first pass: later ones must give as many
	stereoMeter *loudness.Meter
}

func (j *job) run() (Result, error) {
	m, err := loudness.New(loudness.Options{SampleRate: j.o.SampleRate, Channels: 2})
	if err != nil {
		return Result{}, err
	}
	j.stereoMeter = m
	groups, err := j.survey()
	if err != nil {
		return Result{}, err
	}
	if err := j.out.plan(groups); err != nil {
		return Result{}, err
	}
	j.passes = 2 + int64(len(groups))
	if err := j.render(nil, j.o.MasterGainDB, m.Push); err != nil {
		return Result{}, err
	}
	m.Finish()
	gain, trim, err := j.setGain(m)
	if err != nil {
		return Result{}, err
	}
	res := Result{GainDB: gain, TrimDB: trim}
	expected := expect(m, gain-j.o.MasterGainDB)
	if res.Mix, err = j.write(j.out.files[0], nil, gain, &expected); err != nil {
		return Result{}, err
	}
	if tp := res.Mix.Loudness.TruePeakDBTP; tp > j.o.CeilingDBTP+1e-6 {
		return Result{}, fault.New(fault.Unexpected, "the mix was written at %.6f dBTP, above the ceiling of %g", tp, j.o.CeilingDBTP).In(j.o.Path, "")
	}
	for i := range groups {
		f, err := j.write(j.out.files[1+i], &groups[i], gain, nil)
		if err != nil {
			return Result{}, err
		}
		res.Stems = append(res.Stems, f)
	}
	if j.o.TargetLUFS != nil {
		res.TargetMissLU = res.Mix.Loudness.IntegratedLUFS - *j.o.TargetLUFS
	}
	return res, j.out.publish()
}

// survey looks at the strips once: how many, and the groups that sound, in
// order; no groups when no stems are asked for.
func (j *job) survey() ([]string, error) {
	strips, err := j.open()
	if err != nil {
		return nil, err
	}
	defer closeAll(strips)
	j.layers = len(strips)
	sounding := 0
	var groups []string
	seen := map[string]bool{}
	for _, s := range strips {
		if s.Mute {
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

// render runs one pass over all strips, or over those of one group.
func (j *job) render(group *string, gainDB float64, sink func([]float32) error) error {
	strips, err := j.open()
	if err != nil {
		return err
	}
	defer closeAll(strips)
	if len(strips) != j.layers {
		return fault.New(fault.Unexpected, "the mix changed while it was bounced: %d layers became %d", j.layers, len(strips)).In(j.o.Path, "")
	}
	if group != nil {
		strips = append([]mix.Strip(nil), strips...)
		for i := range strips {
			strips[i].Mute = strips[i].Mute || strips[i].Group != *group
		}
	}
	done := j.pass * j.o.Length
	j.pass++
	return mix.Render(j.ctx, strips, mix.Options{SampleRate: j.o.SampleRate, Length: j.o.Length, Block: j.o.Block, MasterGainDB: gainDB}, sink,
		func(at, _ int64) {
			if j.o.Progress != nil {
				j.o.Progress(done+at, j.passes*j.o.Length)
			}
		})
}

func closeAll(strips []mix.Strip) {
	for _, s := range strips {
		if c, ok := s.Source.(io.Closer); ok {
			_ = c.Close() // only read from
		}
	}
}

// maxMasterGainDB is what mix accepts.
const maxMasterGainDB = 60

// setGain finds the master gain: the wish, less what the ceiling takes.
func (j *job) setGain(m *loudness.Meter) (gain, trim float64, err error) {
	more := 0.0
	if t := j.o.TargetLUFS; t != nil {
		var ok bool
		if more, ok = m.GainForLUFS(*t); !ok {
			return 0, 0, fault.New(fault.NotMet, "the mix is silent or shorter than 0.4 s, so it cannot be set to %g LUFS", *t).In(j.o.Path, "").
				Mended("leave the target out, or unmute a layer")
		}
	}
	if over := m.TruePeakDBTP() + more - j.room(); over > 0 {
		trim = -over
	}
	gain = j.o.MasterGainDB + more + trim
	if gain > maxMasterGainDB {
		return 0, 0, fault.New(fault.NotMet, "the mix is so quiet that it would need %.1f dB more to reach %g LUFS", gain, *j.o.TargetLUFS).In(j.o.Path, "").
			Mended("raise the layers first")
	}
	return gain, trim, nil
}

// room is the ceiling in dBTP less what rounding (and dither) can add to a
// true peak: under 0.002 dB at 16 bits and -1 dBTP, nothing to speak of at 24.
func (j *job) room() float64 {
	const interpolation = 3 // more than any meter's filter can lift an error by
	allowed := math.Pow(10, j.o.CeilingDBTP/20) - interpolation*roundingError(j.o.Bits)
	return 20 * math.Log10(allowed)
}

// expect is the loudness of the mix at a further gain.
func expect(m *loudness.Meter, gainDB float64) loudness.Result {
	r := m.Result()
	r.IntegratedLUFS = m.IntegratedAtGainLUFS(gainDB)
	for _, v := range []*float64{&r.MaxMomentaryLUFS, &r.MaxShortTermLUFS, &r.TruePeakDBTP, &r.SamplePeakDBFS} {
		*v += gainDB
	}
	return r
}
