package job

import (
	"errors"
	"io"

	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/fault"
)

// heard is one sound in the singer's headphones: a source that starts at a
// timeline sample.
type heard struct {
	name  string
	src   mix.Source
	start int64
	gain  float64
}

// monitor is all that the singer hears: click, other layers, reference. It is
// read in order of time, by one goroutine.
type monitor struct {
	click   *tempo.Sounding
	heard   []heard
	closers []io.Closer
	at      int64 // timeline sample that the sources stand at
	buf     []float32
}

// Hear says what the singer hears beside the click.
type Hear struct {
	Layers    []string // other layers, from their takes in use
	Reference bool     // the reference's own sound
	LevelDB   float64  // of layers and reference, at most 0; 0 is read as -6
}

const hearDB = -6 // under full scale: what is heard is already mixed hot at times

// newMonitor opens what is heard from timeline sample from on.
func newMonitor(f *score.Folder, s *score.Score, clicks []tempo.Click, sound tempo.ClickOptions, h Hear, from int64) (*monitor, error) {
	click, err := tempo.NewSounding(clicks, s.SampleRate, sound)
	if err != nil {
		return nil, err
	}
	m := &monitor{click: click, at: from}
	level := h.LevelDB
	if level == 0 {
		level = hearDB
	}
	if level > 0 {
		return nil, fault.New(fault.Usage, "a level of %+.1f dB in the headphones is too loud", level).Mended("use 0 or less")
	}
	gain := mix.Gain(level)
	for _, name := range h.Layers {
		if err := m.addLayer(f, s, name, gain); err != nil {
			m.Close()
			return nil, err
		}
	}
	if h.Reference {
		if err := m.addReference(f, s, gain); err != nil {
			m.Close()
			return nil, err
		}
	}
	return m, nil
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
	src, err := snd.open(f, s.SampleRate)
	if err != nil {
		return err
	}
	m.closers = append(m.closers, src)
	if skip := m.at - src.Start(); skip > 0 {
		if err := src.SeekSample(min(skip, src.Frames())); err != nil {
			return err
		}
	}
	m.heard = append(m.heard, heard{name, src, src.Start(), gain * mix.Gain(l.GainDB)})
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
	if m.at > 0 {
		if err := r.SeekFrame(min(m.at, r.Frames())); err != nil {
			return err
		}
	}
	m.heard = append(m.heard, heard{"reference", &monoSource{r: r}, 0, gain})
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
	if at != m.at {
		return fault.New(fault.Unexpected, "the monitor was asked for sample %d, it stands at %d", at, m.at)
	}
	m.at += int64(len(dst))
	clear(dst)
	m.click.Add(dst, at)
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

// Close gives the files back.
func (m *monitor) Close() {
	for _, c := range m.closers {
		c.Close()
	}
}
