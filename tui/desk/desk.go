// Package desk is the job behind the workstation's screen: it turns a score's
// folder into what the screen shows, and what keys wish for into calls of
// engine/job. It holds no logic of the job, and draws nothing.
package desk

import (
	"context"
	"sync"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/raster"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/tui"
)

// Options say how a desk works. The zero value uses the system's devices.
type Options struct {
	Device    device.Options // of playing and singing; the rate is the score's
	Channel   int            // of the input, from 0
	Silent    bool           // no sound device is asked for: playing runs by the clock alone
	Input     string         // a sound file in the place of the microphone
	InputAt   int64          // frame on which its first sample falls
	RoundTrip *int64         // samples; nil: as measured
	Engine    decoder.Engine
}

// Desk is a score's folder, opened to work on. Close it.
type Desk struct {
	f *score.Folder
	o Options

	edit sync.Mutex // one edit at a time: the folder's own lock refuses rather than waits

	mu     sync.Mutex // of what follows
	judged map[string]judged
	whole  whole
	levels map[string]levels
	wave   []float32
	waved  bool
	offers []tempo.Answer
	stem   stem
	mix    *job.MixSound // heard last
	stills *job.StillsFile
	drawn  map[stillKey]tui.Still
}

// judged is what the check said of a layer as it then was.
type judged struct {
	key    string
	report job.LayerReport
}

// stem is the stem's file as it was measured.
type stem struct {
	size  int64
	made  time.Time
	facts *job.StemFacts
}

// whole is what the check said of all layers as they then were.
type whole struct {
	layers int // that were sung
	job    []job.Fix
	fixes  []tui.Fix
	chords []tui.Chord
}

// levels are those of a layer as it then was.
type levels struct {
	key   string
	peaks []float32
}

type stillKey struct {
	frame int64
	w, h  int
}

// maxDrawn bounds the stills that are kept drawn.
const maxDrawn = 16

// New is a desk over a folder, which stays the caller's.
func New(f *score.Folder, o Options) *Desk {
	return &Desk{f: f, o: o, judged: map[string]judged{}, levels: map[string]levels{}, drawn: map[stillKey]tui.Still{}}
}

// Close lets the stills go.
func (d *Desk) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stills == nil {
		return nil
	}
	s := d.stills
	d.stills = nil
	return s.Close()
}

// Still is the picture of a frame, at most w by h points.
func (d *Desk) Still(frame int64, w, h int) (tui.Still, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stills == nil || w < 1 || h < 1 {
		return tui.Still{}, false
	}
	key := stillKey{frame, w, h}
	if s, ok := d.drawn[key]; ok {
		return s, true
	}
	sw, sh := d.stills.Size()
	r := raster.Fit(sw, sh, w, h, 1)
	if r.W < 1 || r.H < 1 {
		return tui.Still{}, false
	}
	s := tui.Still{W: r.W, H: r.H, Pix: make([]byte, r.W*r.H)}
	if err := d.stills.Scaled(frame, r.W, r.H, s.Pix); err != nil {
		return tui.Still{}, false
	}
	if len(d.drawn) >= maxDrawn {
		clear(d.drawn)
	}
	d.drawn[key] = s
	return s, true
}

// ready opens the stills; when they have to be made, that is told.
func (d *Desk) ready(ctx context.Context, tell func(tui.Told)) (tui.Outcome, error) {
	d.mu.Lock()
	there := d.stills != nil
	d.mu.Unlock()
	if there {
		return tui.Outcome{}, nil
	}
	s, err := job.Stills(ctx, d.f, job.StillsOptions{Engine: d.o.Engine, Progress: working(tell)})
	switch {
	case fault.KindOf(err) == fault.Unsupported: // sound alone has no picture
		return tui.Outcome{}, nil
	case err != nil:
		return tui.Outcome{News: "no pictures: " + err.Error()}, nil
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.stills = s
	clear(d.drawn)
	return tui.Outcome{}, nil
}

// working tells of work as it goes.
func working(tell func(tui.Told)) job.Progress {
	return func(done, total int64, what string) { tell(tui.Told{What: what, Done: done, Total: total}) }
}
