package job

import (
	"context"
	"fmt"
	"math"
	"os"
	"strings"
	"time"

	"cuechoir/engine/compass"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/track"
	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/decoder"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
)

// sirenRate is the rate at which a siren is read, Hz.
const sirenRate = score.DefaultSampleRate

// Bounds of a siren, seconds.
const (
	SirenSeconds     = 14 // that are recorded when nothing is said
	MostSirenSeconds = 120
)

// MeasureRange reads a singer's range from a siren in a file.
func MeasureRange(ctx context.Context, file string, engine decoder.Engine, progress Progress) (compass.Reading, error) {
	tooLong := fault.New(fault.OverLimit, "the recording is longer than two minutes").In(file, "").Mended("cut out the siren")
	if r, err := audiofile.Open(file); err == nil { // told before it is read whole
		long := r.Frames() > int64(MostSirenSeconds*r.Format().SampleRate)
		r.Close()
		if long {
			return compass.Reading{}, tooLong
		}
	}
	x, err := anySound(ctx, file, sirenRate, maxSoundFrames, engine, progress)
	if err != nil {
		return compass.Reading{}, err
	}
	if len(x) > MostSirenSeconds*sirenRate {
		return compass.Reading{}, tooLong
	}
	r, err := compass.Measure(x, sirenRate)
	if err != nil {
		return r, named(err, file)
	}
	return r, nil
}

// SingRange records a siren and reads the range from it. Nothing is played; the
// recording is not kept.
func SingRange(ctx context.Context, dev device.Device, channel, seconds int, progress func(track.Status)) (r compass.Reading, err error) {
	if seconds < 1 || seconds > MostSirenSeconds {
		return r, fault.New(fault.Usage, "%d seconds are out of range", seconds).Mended("use 1 to %d; %d are enough", MostSirenSeconds, SirenSeconds)
	}
	dir, err := os.MkdirTemp("", "cuechoir-")
	if err != nil {
		return r, fault.New(fault.DiskFull, "no room to record").Because(err)
	}
	defer os.RemoveAll(dir)
	rate := dev.Format().SampleRate
	const name = "siren"
	w, err := take.Create(dir, name, take.Info{SampleRate: rate, Device: dev.Info().String()})
	if err != nil {
		return r, err
	}
	plan := track.Plan{SampleRate: rate, To: int64(seconds * rate), InputChannel: channel}
	res, err := track.Record(ctx, dev, plan, w, progress)
	if err != nil {
		return r, err
	}
	if n := len(res.Take.Dropouts); n > 0 {
		return r, fault.New(fault.NotMet, "the recording has %s", count(n, "dropout")).Mended("close other programs, or choose a longer --period, and sing it again")
	}
	_, src, err := take.Load(dir, name, res.Take.ID)
	if err != nil {
		return r, err
	}
	defer src.Close()
	x, err := readWhole(ctx, takeSource{src}, res.Take.Frames)
	if err != nil {
		return r, err
	}
	return compass.Measure(x, rate)
}

// KeepRange keeps a singer's range on this computer; measured says whether a
// siren told it.
func KeepRange(name string, r compass.Range, measured bool) (compass.Singer, error) {
	x := compass.Singer{Name: name, Low: r.Low, High: r.High, Measured: measured, When: time.Now().UTC().Truncate(time.Second)}
	st, err := singers()
	if err != nil {
		return x, err
	}
	return x, st.Put(x)
}

// Ranges lists the singers that are kept.
func Ranges() ([]compass.Singer, error) {
	st, err := singers()
	if err != nil {
		return nil, err
	}
	return st.Load()
}

// ForgetRange takes a singer from the list.
func ForgetRange(name string) error {
	st, err := singers()
	if err != nil {
		return err
	}
	switch ok, err := st.Remove(name); {
	case err != nil:
		return err
	case !ok:
		return noSinger(name)
	}
	return nil
}

func singers() (compass.Store, error) {
	path, err := compass.DefaultPath()
	return compass.Store{Path: path}, err
}

// SingerOf is a singer that is kept.
func SingerOf(name string) (compass.Singer, error) {
	st, err := singers()
	if err != nil {
		return compass.Singer{}, err
	}
	x, ok, err := st.Get(name)
	if err == nil && !ok {
		err = noSinger(name)
	}
	return x, err
}

func noSinger(name string) error {
	return fault.New(fault.Missing, "no range of %q is known", name).
		Mended("measure it: cuechoir range measure --sing --singer %q; or tell it: cuechoir range set A2 E4 --singer %q", name, name)
}

// PartRange is a layer's part against a range.
type PartRange struct {
	Layer     string
	Notes     int // pitched
	Low, High uint8
	Outside   int // notes outside the range
	Leaves    []compass.Leave
	// Whole is the move by octaves that brings the whole part into the range; 0
	// when it lies there, or when none does (Fits says which).
	Whole int
	Fits  bool
	// Reach are the colours under which all of the part can be sung, nearest
	// octave first; the layer's own first of all.
	Reach []ColourReach
}

// ColourReach is a colour that sounds octaves away from what is sung.
type ColourReach struct {
	Colour  string // a recipe's name; OwnColour: the layer's; "": a line of its own
	Line    string // that makes the octaves
	Octaves int    // by which the part is sung elsewhere
}

// OwnColour is a layer's colour as it stands.
const OwnColour = "own"

// colourReach are the colours that bring a part into a range. A part that lies
// there already needs none.
func colourReach(l *score.Layer, r compass.Range) ([]ColourReach, error) {
	if r.Holds(l.Notes, 0) {
		return nil, nil
	}
	var out []ColourReach
	add := func(name string, lines []string) error {
		c, err := voice.ParseColour(lines)
		if err != nil {
			return fault.New(fault.KindOf(err), "the colour of layer %s", l.Name).Because(err)
		}
		semitones, ok := c.Semitones()
		octaves := -semitones / 12
		if ok && octaves != 0 && octaves == math.Trunc(octaves) && r.Holds(l.Notes, int(octaves)) {
			out = append(out, ColourReach{name, pitchOf(int(octaves)), int(octaves)})
		}
		return nil
	}
	if err := add(OwnColour, l.Colour); err != nil {
		return nil, err
	}
	for _, recipe := range voice.Recipes() {
		if err := add(recipe.Name, recipe.Lines); err != nil {
			return nil, err
		}
	}
	if whole, ok := r.WholeOctaves(l.Notes); ok {
		out = append(out, ColourReach{"", pitchOf(whole), whole})
	}
	return out, nil
}

// pitchOf is the line of a colour that undoes a move by octaves.
func pitchOf(octaves int) string { return fmt.Sprintf("pitch %d st", -12*octaves) }

// ColourWords say which colours do that: "" when none does.
func (p PartRange) ColourWords() string {
	var names []string
	line := ""
	for _, r := range p.Reach {
		switch {
		case r.Colour == OwnColour:
			return fmt.Sprintf("its own colour does that: %s", compass.OctaveWords("it", r.Octaves))
		case r.Colour == "":
			line = r.Line
		default:
			names = append(names, fmt.Sprintf("cuechoir colour %s %s", p.Layer, r.Colour))
		}
	}
	if line == "" {
		return strings.Join(names, ", or ")
	}
	return strings.Join(append(names, fmt.Sprintf("cuechoir colour edit %s --add %q", p.Layer, line)), ", or ")
}

// Words say what to do about a part as a whole; "" when nothing is to be done,
// or only here and there.
func (p PartRange) Words() string {
	if p.Outside == 0 || !p.Fits || p.Whole == 0 {
		return ""
	}
	return fmt.Sprintf("the whole part fits: %s", compass.OctaveWords("it", p.Whole))
}

// CheckRange holds the parts of layers against a range: the named one's, or all.
func CheckRange(f *score.Folder, only string, r compass.Range) ([]PartRange, error) {
	if err := r.Validate(); err != nil {
		return nil, err
	}
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	layers, err := chosen(s, only)
	if err != nil {
		return nil, err
	}
	var out []PartRange
	for _, l := range layers {
		p := part.Part{Name: l.Name, Notes: l.Notes}
		low, high, ok := p.Range()
		if !ok {
			continue
		}
		grid, err := Grid(s)
		if err != nil {
			return nil, err
		}
		x := PartRange{Layer: l.Name, Low: low, High: high, Outside: OutsideRange(&l, r)}
		for _, n := range l.Notes {
			if !n.Unpitched {
				x.Notes++
			}
		}
		x.Leaves = compass.Check(l.Notes, r, func(i int) int { bar, _ := grid.BarBeat(l.Notes[i].Start); return bar })
		x.Whole, x.Fits = r.WholeOctaves(l.Notes)
		if x.Reach, err = colourReach(&l, r); err != nil {
			return nil, err
		}
		out = append(out, x)
	}
	if len(out) == 0 {
		return nil, noParts(only)
	}
	return out, nil
}

// OutsideRange counts the notes of a layer's part that lie outside a range.
func OutsideRange(l *score.Layer, r compass.Range) (n int) {
	for _, x := range l.Notes {
		if !x.Unpitched && (x.Key < r.Low || x.Key > r.High) {
			n++
		}
	}
	return n
}

func noParts(only string) error {
	if only == "" {
		return fault.New(fault.Missing, "no layer has a part with pitches").Mended("give one: cuechoir layer add NAME --part FILE.mid; or hum one: cuechoir sketch NAME --input FILE --keep")
	}
	return fault.New(fault.Missing, "layer %s has no part with pitches", only).Mended("give it one: cuechoir layer set %s --part FILE.mid; or hum one: cuechoir sketch %s --keep", only, only)
}

// RangeVerdict is nil, or with strict a NotMet error when any part leaves the
// range.
func RangeVerdict(parts []PartRange, strict bool) error {
	n := 0
	for _, p := range parts {
		n += p.Outside
	}
	if !strict || n == 0 {
		return nil
	}
	return fault.New(fault.NotMet, "%s outside the range", count(n, "note"))
}
