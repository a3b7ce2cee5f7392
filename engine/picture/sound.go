package picture

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// Sound decodes the file's sound into a WAV of 24 bits at sampleRate Hz, mono
// when the file's sound is mono, else stereo (FFmpeg's mix of more channels).
// Sample 0 of it stands at the picture's frame 0: what sounds before is cut,
// what begins later is preceded by silence, and gaps in the file's clock are
// filled with silence. Without a picture it begins where the sound does. The
// decoder gives the file's own rate; internal/dsp changes it. The file is
// written under another name first and renamed when whole; it replaces one
// that is there. frames is its length in samples.
func Sound(ctx context.Context, path string, sampleRate int, dstWAV string, o Options) (frames int64, err error) {
	r, err := open(ctx, path, o)
	if err != nil {
		return 0, err
	}
	defer r.Close()
	return r.writeSound(ctx, sampleRate, dstWAV)
}

func (r *reader) writeSound(ctx context.Context, sampleRate int, dstWAV string) (frames int64, err error) {
	if r.sound == nil {
		return 0, fault.New(fault.Unsupported, "has no sound that can be read").In(r.path, "").
			Mended("name a file with sound, or work without the reference's sound")
	}
	start, err := r.pictureStart(ctx)
	if err != nil {
		return 0, err
	}
	tmp, err := os.CreateTemp(filepath.Dir(dstWAV), ".sound-*.tmp")
	if err != nil {
		return 0, cannotWrite(dstWAV, err)
	}
	defer func() {
		if err != nil {
			tmp.Close()
			os.Remove(tmp.Name())
		}
	}()
	channels := min(r.sound.Channels, 2)
	w, err := audiofile.NewWriter(tmp, audiofile.Format{SampleRate: sampleRate, Channels: channels, Bits: 24}, audiofile.WriterOptions{})
	if err != nil {
		return 0, err
	}
	l, err := newLayer(w, r.sound.soundRate(), sampleRate, channels, start)
	if err != nil {
		return 0, err
	}
	if err := r.decodeSound(ctx, l, channels); err != nil {
		return 0, err
	}
	if err := w.Close(); err != nil {
		return 0, cannotWrite(dstWAV, err)
	}
	if err := tmp.Close(); err != nil {
		return 0, cannotWrite(dstWAV, err)
	}
	if err := os.Chmod(tmp.Name(), 0o644); err != nil {
		return 0, cannotWrite(dstWAV, err)
	}
	if err := os.Rename(tmp.Name(), dstWAV); err != nil {
		return 0, cannotWrite(dstWAV, err)
	}
	r.tellSound(l)
	return l.written, nil
}

func cannotWrite(path string, err error) error {
	return fault.New(fault.KindOf(err), "cannot be written").In(path, "").Because(err)
}

// pictureStart is the time, in seconds, of the first frame; nil without one.
func (r *reader) pictureStart(ctx context.Context) (*big.Rat, error) {
	if r.video == nil || r.begin != nil {
		return r.begin, nil
	}
	if err := r.readTiming(ctx); err != nil || r.begin != nil || r.times.unclocked {
		return r.begin, err
	}
	var start *big.Rat
	base, _ := parseRational(r.video.TimeBase)
	p := &pairer{size: 64, rebase: func(b timecode.Ratio) { base = b },
		each: func(at int64, known bool, _ []byte) error {
			if start == nil && known {
				start = new(big.Rat).Mul(big.NewRat(at, 1), base.Rat())
			}
			return nil
		}}
	res, err := r.Run(ctx, decoder.Step{
		Tool: "ffmpeg", Before: []string{"-copyts"},
		After: []string{"-map", "0:" + strconv.Itoa(r.video.Index), "-an", "-sn", "-dn", "-frames:v", "1",
			"-vf", greyFilter(8, 8), "-fps_mode", "passthrough", "-f", "rawvideo", "pipe:1"},
		Stdout: p.data, Message: p.message,
	})
	if err == nil {
		err = p.finish()
	}
	if err != nil {
		return nil, err
	}
	if p.count == 0 {
		return nil, r.unreadable(res, r.video)
	}
	return start, nil
}

func (r *reader) decodeSound(ctx context.Context, l *layer, channels int) error {
	layout := "stereo"
	if channels == 1 {
		layout = "mono"
	}
	total := r.soundFrames()
	p := &soundPairer{channels: channels, each: func(at int64, known bool, x []float32) error {
		r.o.Progress(l.written, total, "reading the sound")
		return l.push(at, known, x)
	}, rebase: l.rebase}
	res, err := r.Run(ctx, decoder.Step{
		Tool: "ffmpeg", Before: []string{"-copyts"},
		After: []string{"-map", "0:" + strconv.Itoa(r.sound.Index), "-vn", "-sn", "-dn",
			"-af", fmt.Sprintf("aformat=sample_fmts=flt:sample_rates=%d:channel_layouts=%s,ashowinfo", r.sound.soundRate(), layout),
			"-c:a", "pcm_f32le", "-f", "f32le", "pipe:1"},
		Stdout: p.data, Message: p.message,
	})
	if err == nil {
		err = p.finish()
	}
	if err == nil && (res.ExitCode != 0 || !p.any) {
		err = r.unreadable(res, r.sound)
	}
	if err == nil {
		err = l.finish()
	}
	r.o.Progress(l.written, l.written, "reading the sound")
	return err
}

func (r *reader) soundFrames() int64 {
	sec, err := strconv.ParseFloat(r.sound.Duration, 64)
	if err != nil || sec < 0 || sec > 1e7 {
		return 0
	}
	return int64(sec * float64(r.sound.soundRate()))
}

// soundPairer joins the samples on standard output with the lines of the
// filter ashowinfo: where a run of samples stands, and how many they are.
type soundPairer struct {
	channels int
	each     func(tick int64, known bool, interleaved []float32) error
	rebase   func(timecode.Ratio)
	raw      []byte
	runs     []run
	x        []float32
	any      bool
	err      error
}

type run struct {
	tick
	frames int
}

func (p *soundPairer) data(b []byte) error {
	if p.err == nil && len(p.raw)+len(b) > maxUnpaired {
		p.err = fault.New(fault.Unexpected, "the decoder gave sound without timestamps")
	}
	if p.err != nil {
		return p.err
	}
	p.raw = append(p.raw, b...)
	p.pair()
	return p.err
}

func (p *soundPairer) message(_ decoder.Level, line string) {
	if !strings.HasPrefix(line, "[Parsed_ashowinfo_") {
		return
	}
	_, rest, _ := strings.Cut(line, "] ")
	if !strings.HasPrefix(rest, "n:") {
		return
	}
	at, err := strconv.ParseInt(field(rest, " pts:"), 10, 64)
	n, errN := strconv.Atoi(field(rest, " nb_samples:"))
	if errN != nil || n <= 0 {
		return
	}
	p.runs = append(p.runs, run{tick{at, err == nil && at > -maxTick && at < maxTick}, n})
	p.pair()
}

// field is the word after a key in a line of showinfo.
func field(line, key string) string {
	_, v, _ := strings.Cut(line, key)
	v, _, _ = strings.Cut(strings.TrimLeft(v, " "), " ")
	return v
}

func (p *soundPairer) pair() {
	used := 0
	for p.err == nil && len(p.runs) > 0 {
		n := p.runs[0].frames * p.channels
		if len(p.raw)-used < 4*n {
			break
		}
		p.x = p.x[:0]
		for i := range n {
			v := math.Float32frombits(binary.LittleEndian.Uint32(p.raw[used+4*i:]))
			if v != v || v > math.MaxFloat32 || v < -math.MaxFloat32 {
				v = 0
			}
			p.x = append(p.x, v)
		}
		used += 4 * n
		p.any = true
		p.err = p.each(p.runs[0].at, p.runs[0].known, p.x)
		p.runs = append(p.runs[:0], p.runs[1:]...)
	}
	if used > 0 {
		p.raw = append(p.raw[:0], p.raw[used:]...)
	}
}

func (p *soundPairer) finish() error {
	if p.err == nil && len(p.raw) > 0 {
		p.err = fault.New(fault.Unexpected, "the decoder gave %d bytes of sound without timestamps", len(p.raw))
	}
	return p.err
}
