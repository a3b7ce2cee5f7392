package job

import (
	"context"
	"fmt"
	"slices"
	"time"

	"cuechoir/engine/bounce"
	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/internal/fault"
)

// BounceOptions say what is bounced. The zero value is a 24-bit stem.wav in
// the score's bounces folder, its true peak at most -1 dBTP.
type BounceOptions struct {
	Path        string   // "": bounces/stem.wav
	Bits        int      // 16, 24 or 32 (float); 0: 24
	TargetLUFS  *float64 // nil: as mixed
	Target      *Target  // a target by its name; it comes before TargetLUFS
	CeilingDBTP float64  // 0: -1
	Stems       bool     // a file for each group too
	Created     time.Time
	Progress    Progress
}

// BounceResult is what was written and from what.
type BounceResult struct {
	bounce.Result
	SampleRate int
	Samples    int64
	Layers     []string // in the mix
	Unsung     []string // layers without a take, left out
	Muted      []string // by themselves or with their group
	Target     *float64 // LUFS that were to be reached
	Notes      []string // what the maker should know
}

const edgeFadeMilliseconds = 5 // a take that begins or ends in full voice must not click; common practice

// Bounce renders the score's layers to a stem of exactly the reference's
// length.
func Bounce(ctx context.Context, f *score.Folder, o BounceOptions) (BounceResult, error) {
	s, err := f.Load()
	if err != nil {
		return BounceResult{}, err
	}
	res := BounceResult{SampleRate: s.SampleRate, Samples: s.Length()}
	picked, err := res.choose(f, s)
	if err != nil {
		return res, err
	}
	if err := makeLayers(ctx, f, s, picked, o.Progress); err != nil {
		return res, err
	}
	if o.Path == "" {
		o.Path = f.Path(score.BouncesDir + "/stem.wav")
	}
	if o.Target != nil {
		x, err := o.Target.lufs(ctx, f, s)
		if err != nil {
			return res, err
		}
		o.TargetLUFS = &x
	}
	res.Target = o.TargetLUFS
	colour, err := mixColour(s)
	if err != nil {
		return res, err
	}
	if colour != nil && o.Stems {
		res.Notes = append(res.Notes, "the colour of the mix is on the stem alone: the groups' stems are as before the master")
	}
	opener := func() (mix.Desk, error) { return openDesk(f, s, picked) }
	res.Result, err = bounce.Bounce(ctx, opener, bounce.Options{
		Path: o.Path, SampleRate: s.SampleRate, Length: s.Length(), Bits: o.Bits, TargetLUFS: o.TargetLUFS,
		CeilingDBTP: o.CeilingDBTP, Limit: s.Desk.Limit, Stems: o.Stems, TimeReference: timeReference(s, 0), Description: s.Title,
		Created: o.Created, Colour: colour,
		Progress: func(done, total int64) { o.Progress.Show(done, total, "bouncing") },
	})
	return res, err
}

// sung is a layer and what it sounds like.
type sung struct {
	layer score.Layer
	sound layerSound
}

// choose sorts the layers into those to mix and those left out.
func (res *BounceResult) choose(f *score.Folder, s *score.Score) ([]sung, error) {
	var chosen []sung
	muted := map[string]bool{}
	for _, g := range s.Desk.Groups {
		muted[g.Name] = g.Mute
	}
	for _, l := range s.Layers {
		if l.Mute || muted[l.Group] {
			res.Muted = append(res.Muted, l.Name)
			continue
		}
		snd, ok, err := soundOf(f, &l)
		if err != nil {
			return nil, err
		}
		if !ok {
			res.Unsung = append(res.Unsung, l.Name)
			continue
		}
		chosen = append(chosen, sung{l, snd})
		res.Layers = append(res.Layers, l.Name)
	}
	if v := s.Desk.Ride.Voice; v != "" && !slices.Contains(res.Layers, v) {
		res.Notes = append(res.Notes, fmt.Sprintf("nothing rides: layer %s, under which the music was to duck, is not in the mix", v))
	}
	if len(chosen) == 0 {
		return nil, fault.New(fault.Missing, "there is nothing to bounce: no layer has a take that is not muted").
			Mended("sing a layer: cuechoir sing LAYER")
	}
	return chosen, nil
}

// openDesk is the score's mix with its sounds opened. The caller closes them.
func openDesk(f *score.Folder, s *score.Score, chosen []sung) (mix.Desk, error) {
	strips, err := openStrips(f, s, chosen)
	d := s.Desk
	return mix.Desk{Strips: strips, Groups: d.Groups, Room: d.Room, Echo: d.Echo, Ride: d.Ride, Master: d.Master}, err
}

func openStrips(f *score.Folder, s *score.Score, chosen []sung) ([]mix.Strip, error) {
	var strips []mix.Strip
	for _, c := range chosen {
		// Made ahead by makeLayers: this only opens it.
		src, err := openHeard(context.Background(), f, s, &c.layer, c.sound)
		if err != nil {
			closeStrips(strips)
			return nil, err
		}
		faded, err := mix.FadeEdges(src, s.SampleRate*edgeFadeMilliseconds/1000)
		if err != nil {
			return nil, err
		}
		strips = append(strips, mix.Strip{Name: c.layer.Name, Source: closing{faded, src}, Start: src.Start(), Chain: c.layer.Strip.Chain,
			Automation: c.layer.Strip.Automation, Sends: c.layer.Strip.Sends, GainDB: c.layer.GainDB, Pan: c.layer.Pan, Group: c.layer.Group})
	}
	return strips, nil
}
