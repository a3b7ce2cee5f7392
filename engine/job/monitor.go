package job

import (
	"context"
	"errors"
	"io"
	"math"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// heard is one sound in the singer's headphones: a file that starts at a
// timeline sample.
type heard struct {
	name  string
	src   mix.Source
	seek  func(sample int64) error // of the file's own samples
	long  int64                    // samples in it
	start int64
	gain  float64
}

// monitor is all that is heard: click, layers, guides, reference. It is read
// by one goroutine, in order of time but for loops, which jump back.
type monitor struct {
	click   *tempo.Sounding
	guides  []guide
	heard   []heard
	closers []io.Closer
	from    int64 // before it the click is alone: a count-in
	to      int64 // from it on there is nothing; 0: no end
	fade    int64 // samples over which what is heard comes in at from and goes out at to
	at      int64 // timeline sample that the sources stand at
	buf     []float32
}

// Heard is a layer in the headphones, and its level in dB against its fader,
// at most 0.
type Heard struct {
	Layer   string
	LevelDB float64
}

// Hear says what is heard beside the click.
type Hear struct {
	Layers      []Heard   // from their takes in use
	Guides      []Heard   // a plain tone of a layer's part; its peak in dBFS
	Reference   bool      // the reference's own sound
	ReferenceDB float64   // of it, at most 0
	Mix         *MixSound // nil: not heard
	MixDB       float64   // of it, at most 0
}

// nothing says that the click would be alone.
func (h Hear) nothing() bool {
	return len(h.Layers) == 0 && len(h.Guides) == 0 && !h.Reference && h.Mix == nil
}

// HearDB and GuideDB are the usual levels of layers and reference, which are
// mixed hot at times, and of a guide, in dB.
const (
	HearDB  = -6
	GuideDB = -24
)

// edgeSeconds is how long what is heard fades where a span cuts it: without it
// each loop begins with a tick.
const edgeSeconds = 0.002

// newMonitor opens what is heard; Fill reads it from anywhere.
func newMonitor(f *score.Folder, s *score.Score, clicks []tempo.Click, sound tempo.ClickOptions, h Hear) (*monitor, error) {
	click, err := tempo.NewSounding(clicks, s.SampleRate, sound)
	if err != nil {
		return nil, err
	}
	m := &monitor{click: click, at: math.MinInt64, from: math.MinInt64, fade: int64(edgeSeconds * float64(s.SampleRate))}
	if err := m.open(f, s, h); err != nil {
		m.Close()
		return nil, err
	}
	return m, nil
}

// open opens all but the click.
func (m *monitor) open(f *score.Folder, s *score.Score, h Hear) error {
	for _, l := range h.Layers {
		if err := checkHeard(l.LevelDB); err != nil {
			return err
		}
		if err := m.addLayer(f, s, l.Layer, mix.Gain(l.LevelDB)); err != nil {
			return err
		}
	}
	for _, l := range h.Guides {
		if err := checkHeard(l.LevelDB); err != nil {
			return err
		}
		g, err := newGuide(s, l.Layer, mix.Gain(l.LevelDB))
		if err != nil {
			return err
		}
		m.guides = append(m.guides, g)
	}
	if h.Mix != nil {
		if err := checkHeard(h.MixDB); err != nil {
			return err
		}
		r := &mixReading{x: h.Mix.x}
		m.heard = append(m.heard, heard{"the mix", r, r.seek, int64(len(r.x)), 0, mix.Gain(h.MixDB)})
	}
	if !h.Reference {
		return nil
	}
	if err := checkHeard(h.ReferenceDB); err != nil {
		return err
	}
	return m.addReference(f, s, mix.Gain(h.ReferenceDB))
}

// checkHeard bounds a level in the headphones.
func checkHeard(db float64) error {
	if db > 0 || math.IsNaN(db) {
		return fault.New(fault.Usage, "a level of %+.1f dB in the headphones is too loud", db).Mended("use 0 or less")
	}
	return nil
}

func (m *monitor) addLayer(f *score.Folder, s *score.Score, name string, gain float64) error {
	l, err := Layer(s, name)
	if err != nil {
		return err
	}
	snd, ok, err := soundOf(f, l)
	if err != nil {
		return err
	}
	if !ok {
		return fault.New(fault.Missing, "layer %s is not sung yet, so it cannot be heard", name)
	}
	src, err := openHeard(context.Background(), f, s, l, snd)
	if err != nil {
		return err
	}
	m.closers = append(m.closers, src)
	m.heard = append(m.heard, heard{name, src, src.SeekSample, src.Frames(), src.Start(), gain * mix.Gain(l.GainDB)})
	return nil
}

func (m *monitor) addReference(f *score.Folder, s *score.Score, gain float64) error {
	if s.Reference.Sound == "" {
		return fault.New(fault.Missing, "the reference has no sound to hear")
	}
	r, file, err := openReference(f, s)
	if err != nil {
		return err
	}
	m.closers = append(m.closers, file)
	m.heard = append(m.heard, heard{"reference", &monoSource{r: r}, r.SeekFrame, r.Frames(), 0, gain})
	return nil
}

// openReference opens the reference's sound, which is whole and at the
// score's rate. The caller closes the file.
func openReference(f *score.Folder, s *score.Score) (r *audiofile.Reader, file io.Closer, err error) {
	h, err := f.OpenFile(s.Reference.Sound)
	if err != nil {
		return nil, nil, err
	}
	defer func() {
		if err != nil {
			h.Close()
		}
	}()
	st, err := h.Stat()
	if err != nil {
		return nil, nil, err
	}
	if r, err = audiofile.NewWAVReader(h, st.Size(), s.Reference.Sound); err != nil {
		return nil, nil, err
	}
	if r.Truncated() {
		return nil, nil, fault.New(fault.Malformed, "the file ends before its time").In(s.Reference.Sound, "").Mended("put the whole file back")
	}
	if got := r.Format().SampleRate; got != s.SampleRate {
		return nil, nil, fault.New(fault.Unsupported, "the sound is at %d Hz, the score at %d", got, s.SampleRate).In(s.Reference.Sound, "")
	}
	return r, h, nil
}

// monoSource is the mean of a file's channels.
type monoSource struct {
	r   *audiofile.Reader
	buf []float32
}

func (s *monoSource) Read(dst []float32) (int, error) {
	ch := s.r.Format().Channels
	if need := len(dst) * ch; cap(s.buf) < need {
		s.buf = make([]float32, need)
	}
	n, err := readFrames(s.r, s.buf[:len(dst)*ch], ch)
	for i := range n {
		sum := float32(0)
		for _, v := range s.buf[i*ch : (i+1)*ch] {
			sum += v
		}
		dst[i] = sum / float32(ch)
	}
	return n, err
}

// readFrames fills x with whole frames, or ends short with io.EOF.
func readFrames(r *audiofile.Reader, x []float32, channels int) (n int, err error) {
	want := len(x) / channels
	for n < want && err == nil {
		var k int
		k, err = r.Read(x[n*channels:])
		n += k
	}
	if n == want && errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}

// Fill writes what is heard from timeline sample at on to dst, mono.
func (m *monitor) Fill(dst []float32, at int64) error {
	clear(dst)
	first, last := 0, len(dst)
	if at < m.from {
		first = int(min(m.from-at, int64(len(dst))))
	}
	if m.to != 0 && at+int64(len(dst)) > m.to {
		last = int(max(m.to-at, int64(first)))
	}
	if err := m.fillHeard(dst[first:last], at+int64(first)); err != nil {
		return err
	}
	m.fadeEdges(dst[first:last], at+int64(first))
	m.click.Add(dst, at)
	return nil
}

// fillHeard adds all but the click.
func (m *monitor) fillHeard(dst []float32, at int64) error {
	if len(dst) == 0 {
		return nil
	}
	if at != m.at {
		for _, h := range m.heard {
			if err := h.seek(min(max(at-h.start, 0), h.long)); err != nil {
				return fault.New(fault.KindOf(err), "playing %s", h.name).Because(err)
			}
		}
	}
	m.at = at + int64(len(dst))
	for i := range m.guides {
		m.guides[i].add(dst, at)
	}
	if cap(m.buf) < len(dst) {
		m.buf = make([]float32, len(dst))
	}
	for _, h := range m.heard {
		skip := max(h.start-at, 0)
		if skip >= int64(len(dst)) {
			continue
		}
		part := m.buf[:int64(len(dst))-skip]
		n, err := h.src.Read(part)
		if err != nil && !errors.Is(err, io.EOF) {
			return fault.New(fault.KindOf(err), "playing %s", h.name).Because(err)
		}
		for i, v := range part[:n] {
			dst[int(skip)+i] += float32(h.gain) * v
		}
	}
	return nil
}

// fadeEdges takes the tick out of a span's beginning and end.
func (m *monitor) fadeEdges(dst []float32, at int64) {
	if m.from != math.MinInt64 {
		for i := range dst {
			after := at + int64(i) - m.from
			if after >= m.fade {
				break
			}
			dst[i] *= float32(after) / float32(m.fade)
		}
	}
	if m.to == 0 {
		return
	}
	for i := len(dst) - 1; i >= 0; i-- {
		before := m.to - 1 - at - int64(i)
		if before >= m.fade {
			break
		}
		dst[i] *= float32(before) / float32(m.fade)
	}
}

// Close gives the files back.
func (m *monitor) Close() {
	for _, c := range m.closers {
		c.Close()
	}
}
