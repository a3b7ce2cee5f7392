package job

import (
	"context"
	"math"
	"slices"

	"cuechoir/engine/score"
	"cuechoir/engine/track"
	"cuechoir/engine/voice"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/device"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

// A layer's colours in a row.
const (
	triedBars    = 2    // when nothing is said
	triedSeconds = 5    // where there is no map
	mostTried    = 30   // seconds of each
	triedRing    = 0.6  // seconds that a colour may ring on
	triedGap     = 0.3  // seconds of quiet behind each
	triedSaid    = 0.15 // peak of the numbers: soft beside a voice
	triedPace    = 0.6
)

// ColourTry is where a colour lies in a row, in samples from its beginning.
type ColourTry struct {
	Number   int // that is said before it, from 1
	Colour   string
	From, To int64
}

// ColourRow is a stretch of a layer as sung and then in one colour after the
// other, each with its number said before it.
type ColourRow struct {
	Layer      string
	SampleRate int
	Stretch    Stretch // of the timeline
	Tries      []ColourTry
	Samples    []float32
	DownDB     float64 // that all is softer than it was sung, so as not to clip
}

// TryColours puts a stretch of a layer, mended and without its own colour, in
// the colours of names, or in all. The zero stretch is the first two bars in
// which the layer's part has notes, else its first five seconds. Nothing of the
// score changes. Errors: Missing (not sung, no such colour), Usage (the stretch).
func TryColours(ctx context.Context, f *score.Folder, layer string, names []string, x Stretch, progress Progress) (*ColourRow, error) {
	s, err := f.Load()
	if err != nil {
		return nil, err
	}
	recipes, err := recipesOf(names)
	if err != nil {
		return nil, err
	}
	sound, x, err := triedSound(ctx, f, s, layer, x)
	if err != nil {
		return nil, err
	}
	r := &ColourRow{Layer: layer, SampleRate: s.SampleRate, Stretch: x}
	if err := r.add("as sung", voice.Colour{}, sound); err != nil {
		return nil, err
	}
	for i, recipe := range recipes {
		progress.Show(int64(i), int64(len(recipes)), recipe.Name)
		if ctx.Err() != nil {
			return nil, fault.New(fault.Interrupted, "stopped before all colours were made").Because(ctx.Err())
		}
		c, err := voice.ParseColour(recipe.Lines)
		if err != nil {
			return nil, err
		}
		if err := r.add(recipe.Name, c, sound); err != nil {
			return nil, err
		}
	}
	r.bound()
	return r, nil
}

// recipesOf are the colours of some names; all when there is none.
func recipesOf(names []string) (out []voice.Recipe, err error) {
	if len(names) == 0 {
		return voice.Recipes(), nil
	}
	for _, name := range names {
		r, ok := voice.FindRecipe(name)
		if !ok {
			return nil, fault.New(fault.Missing, "there is no colour %q", name).Mended("list them: cuechoir colour list")
		}
		out = append(out, r)
	}
	return out, nil
}

// triedSound is a stretch of a layer, mended and without a colour.
func triedSound(ctx context.Context, f *score.Folder, s *score.Score, layer string, x Stretch) ([]float32, Stretch, error) {
	l, err := Layer(s, layer)
	if err != nil {
		return nil, x, err
	}
	snd, ok, err := soundOf(f, l)
	if err != nil {
		return nil, x, err
	}
	if !ok {
		return nil, x, notSung(layer)
	}
	start, frames := snd.comp.Start(), snd.comp.Frames()
	if x.All() {
		if x, err = triedStretch(s, l, Stretch{start, start + frames}); err != nil {
			return nil, x, err
		}
	}
	if x.To-x.From > int64(mostTried*s.SampleRate) {
		return nil, x, fault.New(fault.Usage, "the stretch is longer than %d seconds", mostTried).Mended("name some bars: --bars 3-4")
	}
	plain := *l
	plain.Colour = nil
	all, err := heardSamples(ctx, f, s, &plain, snd)
	if err != nil {
		return nil, x, err
	}
	out := make([]float32, x.To-x.From)
	if from, to := max(x.From, start), min(x.To, start+int64(len(all))); from < to {
		copy(out[from-x.From:], all[from-start:to-start])
	}
	return out, x, nil
}

// triedStretch is what is tried when nothing is said.
func triedStretch(s *score.Score, l *score.Layer, sung Stretch) (Stretch, error) {
	if s.Map == nil || len(l.Notes) == 0 {
		return Stretch{sung.From, min(sung.To, sung.From+int64(triedSeconds*s.SampleRate))}, nil
	}
	grid, err := Grid(s)
	if err != nil {
		return Stretch{}, err
	}
	bars := grid.Bars(s.SampleRate)
	bar, _ := grid.BarBeat(l.Notes[0].Start)
	return barsOf(s, bar, min(bar+triedBars-1, bars[len(bars)-1].Number))
}

// add says the next number and lays the sound in a colour behind it.
func (r *ColourRow) add(name string, c voice.Colour, sound []float32) error {
	n := len(r.Tries) + 1
	if err := r.say(n); err != nil {
		return err
	}
	y, err := c.Apply(sound, r.SampleRate)
	if err != nil {
		return fault.New(fault.KindOf(err), "the colour %s", name).Because(err)
	}
	y = slices.Clone(y[:min(len(y), len(sound)+int(triedRing*float64(r.SampleRate)))])
	faded(y, r.SampleRate)
	from := int64(len(r.Samples))
	r.Samples = append(r.Samples, y...)
	r.Tries = append(r.Tries, ColourTry{n, name, from, int64(len(r.Samples))})
	r.quiet(triedGap)
	return nil
}

func (r *ColourRow) quiet(seconds float64) {
	r.Samples = append(r.Samples, make([]float32, int(seconds*float64(r.SampleRate)))...)
}

// say speaks a number, figure by figure when there is no word for it.
func (r *ColourRow) say(n int) error {
	words := []string{}
	if w, ok := singer.NumberWord(n); ok {
		words = append(words, w)
	} else {
		for _, figure := range [2]int{n / 10, n % 10} {
			w, ok := singer.NumberWord(figure)
			if !ok {
				return fault.New(fault.OverLimit, "there are too many colours to count: %d", n)
			}
			words = append(words, w)
		}
	}
	for _, w := range words {
		spoken, err := singer.Say(w, r.SampleRate, triedPace)
		if err != nil {
			return err
		}
		for _, v := range spoken.Samples {
			r.Samples = append(r.Samples, triedSaid*v)
		}
		r.quiet(0.05)
	}
	r.quiet(triedGap / 2)
	return nil
}

// bound makes all softer when something would clip.
func (r *ColourRow) bound() {
	peak := float32(0)
	for _, v := range r.Samples {
		peak = max(peak, v, -v)
	}
	if peak <= 1 {
		return
	}
	r.DownDB = 20 * math.Log10(float64(peak))
	for i := range r.Samples {
		r.Samples[i] /= peak
	}
}

// Write writes the row to a WAV, mono, 24 bit.
func (r *ColourRow) Write(path string) error {
	return writeWAV(path, audiofile.Format{SampleRate: r.SampleRate, Channels: 1, Bits: 24}, nil,
		func(w *audiofile.Writer) error { return w.Write(r.Samples) })
}

// Play plays the row once; heard is told which colour is heard. A cancelled ctx
// ends it with a short fade.
func (r *ColourRow) Play(ctx context.Context, dev device.Device, gainDB float64, heard func(ColourTry)) (track.Played, error) {
	next := 0
	return track.Play(ctx, dev, track.Playback{SampleRate: r.SampleRate, To: int64(len(r.Samples)), Passes: 1, GainDB: gainDB,
		Source: func(dst []float32, at int64) error {
			clear(dst)
			if at < int64(len(r.Samples)) {
				copy(dst, r.Samples[max(0, at):])
			}
			return nil
		}}, func(_ int, at int64) {
		for next < len(r.Tries) && r.Tries[next].From <= at {
			heard(r.Tries[next])
			next++
		}
	})
}
