package job

import (
	"context"
	"encoding/csv"
	"errors"
	"io"
	"strconv"

	"cuechoir/engine/beats"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// BeatsResult is the beat of a score's reference.
type BeatsResult struct {
	Heard  *beats.Result // what its sound gave; nil without a sound
	Tapped *beats.Mended // the taps, mended; nil without taps
	Beats  []beats.Beat  // heard, with the tapped ones in their span; samples of the timeline
	Metre  int           // beats a bar
}

// BeatLine is a beat as tables and JSON print it.
type BeatLine struct {
	Bar      int     `json:"bar"` // as guessed
	Beat     int     `json:"beat"`
	Frame    int64   `json:"frame"`  // the frame that sounds then
	Sample   int64   `json:"sample"` // exact, from the start of frame 0
	Timecode string  `json:"timecode"`
	Seconds  float64 `json:"seconds"`
	BPM      float64 `json:"bpm"` // to the next beat; 0 for the last
	Strength float64 `json:"strength"`
}

// Beats follows the beat of the reference's own sound and mends the score's
// taps against it. wanted.Metres settles the bar when it holds one metre.
func Beats(ctx context.Context, f *score.Folder, s *score.Score, wanted beats.Options, p Progress) (BeatsResult, error) {
	var res BeatsResult
	if s.Reference.Sound != "" {
		heard, err := hearBeats(ctx, f, s, wanted, p)
		if err != nil {
			return res, err
		}
		res.Heard, res.Beats, res.Metre = &heard, heard.Beats, heard.Metre
	}
	if len(wanted.Metres) == 1 {
		res.Metre = wanted.Metres[0]
	}
	if len(s.Taps) > 0 {
		mended, err := beats.Mend(s.Taps, res.Heard, s.SampleRate, beats.MendOptions{Metre: res.Metre})
		if err != nil {
			return res, err
		}
		res.Tapped, res.Beats = &mended, beats.Override(res.Beats, mended.Beats)
	}
	if res.Metre == 0 {
		res.Metre = beats.DefaultMetre
	}
	return res, nil
}

// hearBeats reads the reference's sound in blocks.
func hearBeats(ctx context.Context, f *score.Folder, s *score.Score, wanted beats.Options, p Progress) (beats.Result, error) {
	r, file, err := openReference(f, s)
	if err != nil {
		return beats.Result{}, err
	}
	defer file.Close()
	follower, err := beats.New(s.SampleRate, wanted)
	if err != nil {
		return beats.Result{}, err
	}
	mono, block := &monoSource{r: r}, make([]float32, 1<<15)
	var done int64
	for {
		if ctx.Err() != nil {
			return beats.Result{}, ctx.Err()
		}
		n, err := mono.Read(block)
		if perr := follower.Push(block[:n]); perr != nil {
			return beats.Result{}, perr
		}
		done += int64(n)
		p.Show(done, r.Frames(), "listening for the beat")
		if errors.Is(err, io.EOF) {
			return follower.Finish(ctx)
		}
		if err != nil {
			return beats.Result{}, err
		}
	}
}

// labelled gives beats their bars: bar 1 holds the first of them.
func (r BeatsResult) labelled() []tempo.Beat {
	number := beats.Numbers(r.Beats)
	before := (r.Metre - beats.FirstBar(r.Beats, number, r.Metre)) % r.Metre
	out := make([]tempo.Beat, len(r.Beats))
	for i, b := range r.Beats {
		n := before + number[i]
		out[i] = tempo.Beat{Bar: n/r.Metre + 1, Beat: n%r.Metre + 1, Sample: b.Sample}
	}
	return out
}

// Lines are the beats as printed.
func (r BeatsResult) Lines(s *score.Score) []BeatLine {
	out := make([]BeatLine, 0, len(r.Beats))
	for i, b := range r.labelled() {
		frame := s.Reference.Rate.FrameOf(b.Sample, s.SampleRate)
		l := BeatLine{Bar: b.Bar, Beat: b.Beat, Frame: frame, Sample: b.Sample, Timecode: s.Reference.Rate.Timecode(s.Reference.Start + frame),
			Seconds: float64(b.Sample) / float64(s.SampleRate), Strength: r.Beats[i].Strength}
		if i+1 < len(r.Beats) {
			l.BPM = 60 * float64(s.SampleRate) / float64(r.Beats[i+1].Sample-b.Sample)
		}
		out = append(out, l)
	}
	return out
}

// WriteBeats writes beats as a table that taps import reads.
func WriteBeats(w io.Writer, lines []BeatLine) error {
	c := csv.NewWriter(w)
	if err := c.Write([]string{"bar", "beat", "sample", "frame", "timecode", "seconds", "bpm", "strength"}); err != nil {
		return err
	}
	float := func(v float64, places int) string { return strconv.FormatFloat(v, 'f', places, 64) }
	for _, l := range lines {
		err := c.Write([]string{strconv.Itoa(l.Bar), strconv.Itoa(l.Beat), strconv.FormatInt(l.Sample, 10), strconv.FormatInt(l.Frame, 10), l.Timecode,
			float(l.Seconds, 6), float(l.BPM, 3), float(l.Strength, 2)})
		if err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// FollowOptions say how a map follows beats.
type FollowOptions struct {
	Style  tempo.Style    // tempo.Follow: the sound's; tempo.Tapped: the taps, and the sound's outside their span
	Beats  beats.Options  // what beat is looked for
	Metre  tempo.Metre    // of every bar; zero: as guessed, in quarters
	Within timecode.Ratio // frames that the map may lie off a beat; 0 is 1
}

// FollowResult is the map and what it follows.
type FollowResult struct {
	Beats   BeatsResult
	Largest timecode.Ratio // frames between a beat and the map, at most
}

// FollowMap fits a map to the reference's own beats, or to the taps, and
// stores it in the place of the one there. Errors: NotMet when the sound has no
// beat, Missing without a sound or taps.
func FollowMap(ctx context.Context, f *score.Folder, o FollowOptions, p Progress) (FollowResult, error) {
	var res FollowResult
	s, err := f.Load()
	if err != nil {
		return res, err
	}
	if err := followable(s, o.Style); err != nil {
		return res, err
	}
	if o.Metre != (tempo.Metre{}) {
		o.Beats.Metres = []int{o.Metre.Beats()}
	}
	if o.Style == tempo.Follow {
		s.Taps = nil
	}
	if res.Beats, err = Beats(ctx, f, s, o.Beats, p); err != nil {
		return res, err
	}
	if o.Style == tempo.Follow && len(res.Beats.Beats) == 0 {
		return res, NoBeat(res.Beats.Heard)
	}
	if o.Metre == (tempo.Metre{}) {
		o.Metre = tempo.Metre{Num: res.Beats.Metre, Den: 4}
	}
	fit, err := tempo.FromBeats(res.Beats.labelled(), tempo.BeatOptions{Rate: s.Reference.Rate, Frames: s.Reference.Frames,
		SampleRate: s.SampleRate, Style: o.Style, Metre: o.Metre, Within: o.Within})
	if err != nil {
		return res, err
	}
	res.Largest = fit.Largest
	label := "map follows the reference's beat"
	if o.Style == tempo.Tapped {
		label = "map follows the taps"
	}
	_, err = f.Edit(label, func(s *score.Score) error {
		s.Map = &fit.Map
		return nil
	})
	return res, err
}

// NoBeat is the error, of kind NotMet, that a sound has no beat.
func NoBeat(heard *beats.Result) error {
	why := "it has no sound"
	if heard != nil {
		why = heard.NoBeat
	}
	return fault.New(fault.NotMet, "the reference has no beat to follow: %s", why).
		Mended("tap it and read the taps (cuechoir taps import FILE.csv), or let the map follow the hits (cuechoir map)")
}

func followable(s *score.Score, style tempo.Style) error {
	switch {
	case style == tempo.Tapped && len(s.Taps) == 0:
		return fault.New(fault.Missing, "nothing is tapped yet").Mended("read taps: cuechoir taps import FILE.csv")
	case style == tempo.Follow && s.Reference.Sound == "":
		return fault.New(fault.Missing, "the reference has no sound, so it has no beat to follow").
			Mended("tap it and read the taps: cuechoir taps import FILE.csv")
	}
	return nil
}
