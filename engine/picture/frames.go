package picture

import (
	"context"
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"time"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// Grey is one small picture, brightness only: rows from the top, W bytes each,
// 0 black to 255 white.
type Grey struct {
	Index int64
	W, H  int
	Pix   []byte // len W*H; valid during the call only
}

// The largest small picture. A finder of cuts needs no more: most published
// ones work on blocks or histograms of less.
const (
	greyW = 96
	greyH = 72
)

// Header reads what the file says of itself, without decoding: fast, Frames 0.
func Header(ctx context.Context, path string, o Options) (Info, error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return Info{}, err
	}
	defer r.Close()
	if r.video != nil {
		err = r.readTiming(ctx)
	}
	return r.info, err
}

// Probe is Header with the true number of frames, by decoding the whole
// picture. A file of sound alone has HasPicture false.
func Probe(ctx context.Context, path string, o Options) (Info, error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return Info{}, err
	}
	defer r.Close()
	if r.video == nil {
		return r.info, nil
	}
	return r.frames(ctx, 16, 16, func(Grey) error { return nil })
}

// Frames decodes the picture and calls fn for each place of the constant rate,
// in order, from 0. Memory does not grow with the film. An error of fn stops
// it and is returned as it is.
func Frames(ctx context.Context, path string, o Options, fn func(Grey) error) (Info, error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return Info{}, err
	}
	defer r.Close()
	if r.video == nil {
		return r.info, noPicture(path)
	}
	w, h := fit(r.info.Width, r.info.Height, greyW, greyH)
	return r.frames(ctx, w, h, fn)
}

func noPicture(path string) error {
	return fault.New(fault.Unsupported, "has sound but no picture").In(path, "").Mended("name a video file")
}

// fit is the largest even size within w by h of the same shape.
func fit(srcW, srcH, w, h int) (int, int) {
	if srcW*h > srcH*w {
		h = srcH * w / srcW
	} else {
		w = srcW * h / srcH
	}
	return max(w&^1, 8), max(h&^1, 8)
}

func (r *reader) frames(ctx context.Context, w, h int, fn func(Grey) error) (Info, error) {
	return r.filtered(ctx, greyFilter(w, h), w, h, fn)
}

// filtered is frames through a filter of the caller's own, which gives grey
// pictures of w by h and logs their timestamps.
func (r *reader) filtered(ctx context.Context, filter string, w, h int, fn func(Grey) error) (Info, error) {
	if err := r.readTiming(ctx); err != nil {
		return r.info, err
	}
	total, speed := r.times.packets, newPace(r.Engine(), time.Now)
	e := &evener{w: w, h: h, rate: r.times.rate, base: r.times.base, note: r.info.note, fn: func(g Grey) error {
		if g.Index%64 == 0 {
			r.o.Progress(g.Index, total, speed.what(g.Index, total))
		}
		return fn(g)
	}}
	push := e.push
	if r.times.unclocked { // what the decoder guesses is no time
		push = func(_ int64, _ bool, pix []byte) error { return e.push(0, false, pix) }
	}
	p := &pairer{size: w * h, each: push, rebase: func(b timecode.Ratio) { e.base = b }}
	res, err := r.Run(ctx, decoder.Step{
		Tool: "ffmpeg", Before: []string{"-copyts"},
		After: []string{"-map", "0:" + strconv.Itoa(r.video.Index), "-an", "-sn", "-dn",
			"-vf", filter, "-fps_mode", "passthrough", "-f", "rawvideo", "pipe:1"},
		Stdout:  p.data,
		Message: p.message,
	})
	if err == nil {
		err = p.finish()
	}
	if err == nil {
		err = e.finish(r.lastEnd())
	}
	if err != nil {
		return r.info, err
	}
	r.info.Frames = e.next
	if r.begin == nil && !r.times.unclocked {
		r.begin = e.begin()
	}
	r.o.Progress(e.next, e.next, speed.what(e.next, e.next))
	if text := speed.after(); text != "" {
		r.info.note("%s", text)
	}
	return r.info, r.judge(res, p.count)
}

// greyFilter makes small grey frames and logs their timestamps; then it puts
// the frames a second apart, so that the raw muxer, which rounds to the frame
// rate, has nothing to complain of.
func greyFilter(w, h int) string {
	return fmt.Sprintf("scale=%d:%d:flags=area,format=gray,showinfo=checksum=0,setpts=N/TB", w, h)
}

// lastEnd is the tick at which the last picture ends, when it is known and
// matters: at a constant rate each picture lasts one frame.
func (r *reader) lastEnd() (int64, bool) { return r.times.end, r.times.hasEnd && r.times.variable }

// pairer joins the pixels on standard output with the timestamps in the log:
// the filter showinfo writes a frame's line before its pixels leave. Between
// two pipes the order of arrival may differ, by no more than a pipe holds.
type pairer struct {
	size   int
	each   func(tick int64, known bool, pix []byte) error
	rebase func(timecode.Ratio)
	pix    []byte
	ticks  []tick
	count  int64
	err    error
}

type tick struct {
	at    int64
	known bool
}

// maxUnpaired bounds pixels that wait for a timestamp.
const maxUnpaired = 64 << 20

func (p *pairer) data(b []byte) error {
	if p.err == nil && len(p.pix)+len(b) > maxUnpaired {
		p.err = fault.New(fault.Unexpected, "the video decoder gave pictures without timestamps")
	}
	if p.err != nil {
		return p.err
	}
	p.pix = append(p.pix, b...)
	p.pair()
	return p.err
}

func (p *pairer) message(_ decoder.Level, line string) {
	if !strings.HasPrefix(line, "[Parsed_showinfo_") {
		return
	}
	_, rest, _ := strings.Cut(line, "] ")
	if v, ok := strings.CutPrefix(rest, "config in time_base: "); ok {
		v, _, _ = strings.Cut(v, ",")
		if q, ok := parseRational(v); ok {
			p.rebase(q)
		}
		return
	}
	if !strings.HasPrefix(rest, "n:") {
		return
	}
	_, v, ok := strings.Cut(rest, " pts:")
	if !ok {
		return
	}
	v, _, _ = strings.Cut(strings.TrimLeft(v, " "), " ")
	at, err := strconv.ParseInt(v, 10, 64)
	p.ticks = append(p.ticks, tick{at, err == nil && at > -maxTick && at < maxTick})
	p.pair()
}

func (p *pairer) pair() {
	used := 0
	for p.err == nil && len(p.ticks) > 0 && len(p.pix)-used >= p.size {
		p.err = p.each(p.ticks[0].at, p.ticks[0].known, p.pix[used:used+p.size])
		used += p.size
		p.ticks = append(p.ticks[:0], p.ticks[1:]...)
		p.count++
	}
	if used > 0 {
		p.pix = append(p.pix[:0], p.pix[used:]...)
	}
}

func (p *pairer) finish() error {
	if p.err == nil && len(p.pix) >= p.size {
		p.err = fault.New(fault.Unexpected, "the video decoder gave %d pictures without timestamps", len(p.pix)/p.size)
	}
	return p.err
}

// evener lays frames with timestamps onto the places of a constant rate. It
// holds one frame back: a frame is shown until the next one begins.
type evener struct {
	w, h     int
	rate     timecode.Rate
	base     timecode.Ratio
	fn       func(Grey) error
	note     func(string, ...any)
	held     []byte
	has      bool
	heldAt   int64 // place of the held frame
	next     int64 // place to give out next
	first    int64 // tick of place zero
	hasFirst bool
	shift    int64 // places added after a jump of the clock
}

// A jump of the clock by more than this is a fault of the file, not a pause.
const (
	maxPauseSeconds = 600
	maxBackSeconds  = 1
)

func (e *evener) push(at int64, known bool, pix []byte) error {
	if !e.has {
		e.has, e.first, e.hasFirst = true, at, known
		e.held = append(e.held[:0], pix...)
		return nil
	}
	place := e.heldAt + 1
	if known {
		place = e.place(at)
		sec := int64(e.rate.Nominal())
		if place > e.heldAt+maxPauseSeconds*sec || place < e.heldAt-maxBackSeconds*sec {
			e.note("the file's clock jumps at frame %d; the frames are read on without a gap", e.heldAt+1)
			e.shift += e.heldAt + 1 - place
			place = e.heldAt + 1
		}
	}
	if place > e.heldAt {
		if err := e.give(place); err != nil {
			return err
		}
		e.heldAt = place
	}
	e.held = append(e.held[:0], pix...) // a second frame on one place: the later is seen
	return nil
}

// begin is the time of place zero, in seconds; nil when it is not known.
func (e *evener) begin() *big.Rat {
	if !e.hasFirst {
		return nil
	}
	return new(big.Rat).Mul(big.NewRat(e.first, 1), e.base.Rat())
}

// place is the nearest place of a tick.
func (e *evener) place(at int64) int64 {
	x := new(big.Rat).SetInt64(at - e.first)
	x.Mul(x, e.base.Rat())
	x.Mul(x, big.NewRat(e.rate.Num, e.rate.Den))
	if n := new(big.Int).Quo(x.Num(), x.Denom()); !n.IsInt64() || n.Int64() > maxTick || n.Int64() < -maxTick {
		return e.heldAt + 1
	}
	return timecode.RoundRat(x) + e.shift
}

// give shows the held frame on every place before end.
func (e *evener) give(end int64) error {
	for ; e.next < end; e.next++ {
		if err := e.fn(Grey{Index: e.next, W: e.w, H: e.h, Pix: e.held}); err != nil {
			return err
		}
	}
	return nil
}

// finish gives the last frame, until its end when that is known.
func (e *evener) finish(end int64, known bool) error {
	if !e.has {
		return nil
	}
	last := e.heldAt + 1
	if known {
		if p := e.place(end); p > last && p < last+maxPauseSeconds*e.rate.Nominal() {
			last = p
		}
	}
	return e.give(last)
}
