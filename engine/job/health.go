package job

import (
	"context"

	"cuechoir/engine/check"
	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
)

// TakeHealth is what was measured of one take's sound. The places in Health
// are samples of the take.
type TakeHealth struct {
	Layer  string       `json:"layer"`
	Take   string       `json:"take"`
	Start  int64        `json:"start"` // timeline sample of the take's first
	Health check.Health `json:"health"`
}

// Listen measures the sound of a take that was sung over clicks, which may be
// none. gainDB is of all that was heard.
func Listen(ctx context.Context, f *score.Folder, t take.Info, clicks []tempo.Click, sound tempo.ClickOptions, gainDB float64) (TakeHealth, error) {
	h := TakeHealth{Layer: t.Layer, Take: t.ID, Start: t.Start}
	in := check.HealthInput{SampleRate: t.SampleRate}
	var err error
	if in.Samples, err = readTake(ctx, f, t, t.SampleRate); err != nil {
		return h, err
	}
	if len(clicks) > 0 {
		sounding, err := tempo.NewSounding(clicks, t.SampleRate, sound)
		if err != nil {
			return h, err
		}
		in.Click = make([]float32, len(in.Samples))
		sounding.Add(in.Click, t.Start)
		gain := float32(mix.Gain(gainDB))
		for i := range in.Click {
			in.Click[i] *= gain
		}
		for _, c := range clicks {
			in.Beats = append(in.Beats, c.Sample-t.Start)
		}
	}
	h.Health, err = check.Listen(in)
	return h, err
}

// ListenTo measures a take of a layer, the one in use when id is "", against
// the click that o gives for the whole map.
func ListenTo(ctx context.Context, f *score.Folder, layer, id string, o ClickOptions, gainDB float64) (TakeHealth, error) {
	s, err := f.Load()
	if err != nil {
		return TakeHealth{}, err
	}
	l, err := Layer(s, layer)
	if err != nil {
		return TakeHealth{}, err
	}
	one := *l
	if id != "" {
		one.Use = id
	}
	t, ok, err := takeInUse(f, &one)
	if err != nil {
		return TakeHealth{}, err
	}
	if !ok {
		return TakeHealth{}, fault.New(fault.Missing, "layer %s is not sung yet", layer).Mended("sing it: cuechoir sing %s", layer)
	}
	var clicks []tempo.Click
	if s.Map != nil {
		if _, clicks, err = clickSchedule(s, o); err != nil {
			return TakeHealth{}, err
		}
	}
	return Listen(ctx, f, t, clicks, o.Sound, gainDB)
}
