package part

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"

	"gitlab.com/gomidi/midi/v2/smf"
)

// Line says which note of a chord to keep.
type Line string

const (
	LineNone   Line = ""       // a chord is refused
	LineTop    Line = "top"    // the highest
	LineBottom Line = "bottom" // the lowest
)

// ReadOptions choose what of a file becomes a part. The zero value takes the
// only track that has notes and refuses chords.
type ReadOptions struct {
	Track int  // number of the track as Tracks lists it, from 1; 0 or -1 is the only one with notes
	Line  Line // what to do with chords
}

// TrackInfo is a track that has notes.
type TrackInfo struct {
	Number    int    // from 1; in a file of format 0 with several channels, the channel
	Name      string // as the file says, or ""
	Notes     int
	Unpitched bool // on the percussion channel throughout
}

func (t TrackInfo) String() string {
	s := fmt.Sprintf("track %d", t.Number)
	if t.Name != "" {
		s += " " + t.Name
	}
	return fmt.Sprintf("%s (%d notes)", s, t.Notes)
}

// percussion is the channel of unpitched notes, from 0 (General MIDI's
// channel 10, from memory).
const percussion = 9

// event kinds that matter here, as bytes of the standard.
const (
	metaName   = 0x03
	metaLyric  = 0x05
	metaMarker = 0x06
	metaTempo  = 0x51
	metaMetre  = 0x58
)

// track is the notes and words of one track, in ticks.
type track struct {
	number int
	name   string
	notes  []rawNote
	lyrics map[int64]string // by tick
	stray  int              // note-offs with nothing to end
	zero   int              // notes of no length
	hang   int              // notes that never end
}

// rawNote is a note in ticks.
type rawNote struct {
	start, end int64
	key        uint8
	unpitched  bool
}

// metreAt is a change of metre.
type metreAt struct {
	tick int64
	num  int
	den  int
}

// song is what a file says.
type song struct {
	name     string
	division int
	tracks   []track // those with notes
	metres   []metreAt
	tempos   []tempoAt
	markers  []markerAt
	notes    []string
}

// Tracks lists the tracks of a file that have notes. Errors are those of
// ReadSMF.
func Tracks(r io.Reader, name string) ([]TrackInfo, error) {
	s, err := readSong(r, name)
	if err != nil {
		return nil, err
	}
	var out []TrackInfo
	for _, t := range s.tracks {
		out = append(out, t.info())
	}
	return out, nil
}

func (t track) info() TrackInfo {
	i := TrackInfo{Number: t.number, Name: t.name, Notes: len(t.notes), Unpitched: true}
	for _, n := range t.notes {
		i.Unpitched = i.Unpitched && n.unpitched
	}
	return i
}

// ReadSMF reads one track of a Standard MIDI File (1.0, formats 0 to 2, ticks
// a quarter) of at most 8 MiB as a part. name is the file's, for messages. The
// notes it returns are for the person: what was mended on the way, one a
// line. Overlaps with a later note are cut at its start; a chord is refused,
// with its bar, unless o.Line chooses a note of it. Notes of channel 10 are
// Unpitched. Kinds of error: Malformed, Unsupported, OverLimit, Missing (no
// such track, or no notes), Usage (several tracks and none chosen), Conflict
// (chords).
func ReadSMF(r io.Reader, name string, o ReadOptions) (Part, []string, error) {
	if o.Line != LineNone && o.Line != LineTop && o.Line != LineBottom {
		return Part{}, nil, fault.New(fault.Usage, "%q is not a line of a chord", clip(string(o.Line))).Mended("choose top or bottom")
	}
	s, err := readSong(r, name)
	if err != nil {
		return Part{}, nil, err
	}
	t, err := s.choose(o.Track)
	if err != nil {
		return Part{}, nil, err
	}
	p, notes, err := s.line(t, o.Line)
	if err != nil {
		return Part{}, nil, err
	}
	if err := p.Validate(); err != nil {
		return Part{}, nil, fault.New(fault.KindOf(err), "the part").Because(err).In(name, fmt.Sprintf("track %d", t.number))
	}
	return p, append(s.notes, notes...), nil
}

// choose finds the track asked for.
func (s *song) choose(number int) (*track, error) {
	var list []string
	for i := range s.tracks {
		t := &s.tracks[i]
		if t.number == number || number <= 0 && len(s.tracks) == 1 {
			return t, nil
		}
		if len(list) < 40 {
			list = append(list, t.info().String())
		}
	}
	switch {
	case len(s.tracks) == 0:
		return nil, fault.New(fault.Missing, "the file has no notes").In(s.name, "")
	case number <= 0:
		return nil, fault.New(fault.Usage, "several tracks have notes: %s", strings.Join(list, ", ")).In(s.name, "").Mended("choose one by its number")
	}
	return nil, fault.New(fault.Missing, "there are no notes on track %d; there are on %s", number, strings.Join(list, ", ")).In(s.name, "").Mended("choose one of these")
}

// readSong checks a file and decodes it.
func readSong(r io.Reader, name string) (*song, error) {
	data, err := readAll(r, name)
	if err != nil {
		return nil, err
	}
	f, err := checkSMF(name, data)
	if err != nil {
		return nil, err
	}
	decoded, err := decode(name, f)
	if err != nil {
		return nil, err
	}
	s := &song{name: name, division: f.division, notes: f.notes}
	for i, events := range decoded.Tracks {
		if err := s.take(i+1, events, f.format == 0); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// decode hands the checked bytes to the decoder, whose panics become errors.
func decode(name string, f *smfFile) (s *smf.SMF, err error) {
	defer func() {
		if p := recover(); p != nil {
			s, err = nil, fault.New(fault.Malformed, "the file cannot be decoded (%v)", p).In(name, "").
				Mended("export the file again from the program that made it")
		}
	}()
	s, err = smf.ReadFrom(bytes.NewReader(f.clean()))
	if err == nil && len(s.Tracks) != len(f.tracks) {
		err = fmt.Errorf("%d tracks of %d", len(s.Tracks), len(f.tracks))
	}
	if err != nil {
		return nil, fault.New(fault.Malformed, "the file cannot be decoded").Because(err).In(name, "").
			Mended("export the file again from the program that made it")
	}
	return s, nil
}

// take gathers the notes of one track; of format 0, of each channel apart.
func (s *song) take(number int, events smf.Track, byChannel bool) error {
	b := builder{sounding: map[[2]uint8]int64{}, lyrics: map[int64]string{}}
	for _, e := range events {
		b.tick += int64(e.Delta)
		if b.tick > int64(s.division)*maxQuarters {
			return fault.New(fault.OverLimit, "track %d is longer than %d quarters", number, maxQuarters).In(s.name, "")
		}
		b.event(e.Message, s)
	}
	b.finish()
	if !byChannel || b.channels() < 2 {
		s.add(b.all(number))
		return nil
	}
	for ch := range 16 {
		t := b.tracks[ch]
		t.number, t.name, t.lyrics = ch+1, b.name, b.lyrics
		s.add(t)
	}
	return nil
}

func (s *song) add(t track) {
	if len(t.notes) > 0 {
		s.tracks = append(s.tracks, t)
	}
}

// builder gathers the notes of a track, channel by channel.
type builder struct {
	tick     int64
	name     string
	lyrics   map[int64]string
	sounding map[[2]uint8]int64 // channel and key: start
	tracks   [16]track
}

func (b *builder) event(m smf.Message, s *song) {
	var ch, key, velocity uint8
	switch {
	case m.GetNoteStart(&ch, &key, &velocity):
		b.end(ch, key, true) // struck again while it sounds
		b.sounding[[2]uint8{ch, key}] = b.tick
	case m.GetNoteEnd(&ch, &key):
		b.end(ch, key, false)
	case len(m) > 3 && m[0] == 0xFF:
		b.meta(m[1], metaData(m), s)
	}
}

// metaData is a meta event's bytes after its length.
func metaData(m smf.Message) []byte {
	w := walker{data: m, at: 2, end: len(m)}
	if _, err := w.vlq("length"); err != nil {
		return nil
	}
	return m[w.at:]
}

func (b *builder) meta(kind byte, data []byte, s *song) {
	switch kind {
	case metaName:
		if b.name == "" {
			b.name = plainText(data, maxName)
		}
	case metaLyric:
		if t := strings.TrimSpace(strings.TrimLeft(plainText(data, maxLyric), `/\`)); t != "" {
			b.lyrics[b.tick] = t
		}
	default:
		b.conduct(kind, data, s)
	}
}

// end closes the note of a key, if one sounds.
func (b *builder) end(ch, key uint8, restruck bool) {
	k := [2]uint8{ch, key}
	start, on := b.sounding[k]
	t := &b.tracks[ch]
	if !on {
		if !restruck {
			t.stray++
		}
		return
	}
	delete(b.sounding, k)
	if start == b.tick {
		t.zero++
		return
	}
	n := rawNote{start, b.tick, key, ch == percussion}
	if n.unpitched {
		n.key = 0
	}
	t.notes = append(t.notes, n)
}

// finish ends what never ended, at the track's end.
func (b *builder) finish() {
	for ch := range uint8(16) {
		for key := range uint8(128) {
			if _, on := b.sounding[[2]uint8{ch, key}]; on {
				b.tracks[ch].hang++
				b.end(ch, key, true)
			}
		}
	}
}

func (b *builder) channels() int {
	n := 0
	for _, t := range b.tracks {
		if len(t.notes) > 0 {
			n++
		}
	}
	return n
}

// all is the channels as one track.
func (b *builder) all(number int) track {
	t := track{number: number, name: b.name, lyrics: b.lyrics}
	for _, c := range b.tracks {
		t.notes = append(t.notes, c.notes...)
		t.stray, t.zero, t.hang = t.stray+c.stray, t.zero+c.zero, t.hang+c.hang
	}
	return t
}

// plainText makes one clean line of a file's bytes: UTF-8, or else Latin-1.
func plainText(data []byte, limit int) string {
	s := string(data)
	if !utf8.ValidString(s) {
		r := make([]rune, len(data))
		for i, b := range data {
			r[i] = rune(b)
		}
		s = string(r)
	}
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return -1
		}
		return r
	}, s)
	for len(s) > limit {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
	}
	return strings.TrimSpace(s)
}

// quarters turns ticks into quarters.
func (s *song) quarters(ticks int64) timecode.Ratio { return timecode.R(ticks, int64(s.division)) }
