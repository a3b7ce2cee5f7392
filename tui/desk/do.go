package desk

import (
	"context"
	"fmt"

	"cuechoir/engine/job"
	"cuechoir/engine/mix"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/fault"
	"cuechoir/tui"
)

// Do does a wish.
func (d *Desk) Do(ctx context.Context, w tui.Wish, tell func(tui.Told)) (tui.Outcome, error) {
	switch w.Do {
	case tui.DoReady:
		return d.ready(ctx, tell)
	case tui.DoPlay:
		return d.play(ctx, w, tell)
	case tui.DoSing:
		return d.sing(ctx, w, tell)
	case tui.DoOffer:
		return d.offer(ctx, w)
	case tui.DoCheck:
		return d.check(ctx, tell)
	case tui.DoMeasure:
		return d.measure(ctx, tell)
	case tui.DoBounce:
		return d.bounce(ctx, w, tell)
	}
	d.edit.Lock()
	defer d.edit.Unlock()
	news, err := d.change(ctx, w, tell)
	return tui.Outcome{News: news, Changed: err == nil}, err
}

// change does an edit of the score and says in a line what it did.
func (d *Desk) change(ctx context.Context, w tui.Wish, tell func(tui.Told)) (string, error) {
	switch w.Do {
	case tui.DoUndo:
		return walk(d.f.Undo, "taken back")
	case tui.DoRedo:
		return walk(d.f.Redo, "done again")
	case tui.DoCut, tui.DoMoveCut, tui.DoNameShot, tui.DoFind:
		return d.cuts(ctx, w, tell)
	case tui.DoHit, tui.DoNameHit, tui.DoLands:
		return d.hits(w)
	case tui.DoTaps, tui.DoUntap, tui.DoKeepMap, tui.DoPin, tui.DoFollow, tui.DoBars, tui.DoHold:
		return d.maps(ctx, w, tell)
	case tui.DoUseTake, tui.DoRate, tui.DoComp:
		return d.takes(w)
	}
	return d.layers(ctx, w)
}

// walk goes a step along the history.
func walk(way func(int) (*score.Score, []score.Step, error), done string) (string, error) {
	_, steps, err := way(1)
	if err != nil || len(steps) == 0 {
		return "", err
	}
	return done + ": " + steps[0].Label, nil
}

func (d *Desk) hits(w tui.Wish) (string, error) {
	switch w.Do {
	case tui.DoNameHit:
		return "named " + w.Name, job.NameHit(d.f, w.Frame, w.Name)
	case tui.DoLands:
		on, err := job.LandHit(d.f, w.Frame)
		return fmt.Sprintf("the hit at frame %d falls on a %s", w.Frame, on), err
	}
	weight := "want"
	if w.Must {
		weight = "must"
	}
	there, err := job.MarkHit(d.f, w.Frame, w.Must)
	if there {
		return fmt.Sprintf("%s-hit at frame %d", weight, w.Frame), err
	}
	return fmt.Sprintf("no hit at frame %d any more", w.Frame), err
}

func (d *Desk) cuts(ctx context.Context, w tui.Wish, tell func(tui.Told)) (string, error) {
	switch w.Do {
	case tui.DoCut:
		there, err := job.ToggleCut(d.f, w.Frame)
		if there {
			return fmt.Sprintf("cut at frame %d", w.Frame), err
		}
		return fmt.Sprintf("no cut at frame %d any more", w.Frame), err
	case tui.DoMoveCut:
		_, err := d.f.Edit(fmt.Sprintf("cut moved from frame %d to %d", w.Frame, w.Other), func(s *score.Score) error {
			_, err := s.MoveCut(w.Frame, w.Other)
			return err
		})
		return fmt.Sprintf("the cut is at frame %d", w.Other), err
	case tui.DoFind:
		found, err := job.FindCuts(ctx, d.f, job.FindCutsOptions{Engine: d.o.Engine, Progress: working(tell)})
		return fmt.Sprintf("%d cuts as before, %d new, %d gone, %d of your own kept", found.Same, found.Added, found.Gone, found.Kept), err
	}
	_, err := d.f.Edit("shot named", func(s *score.Score) error {
		x, err := s.Shot(fmt.Sprint(w.Frame))
		if err != nil {
			return err
		}
		return s.NameShot(x, w.Name)
	})
	return "shot named " + w.Name, err
}

func (d *Desk) maps(ctx context.Context, w tui.Wish, tell func(tui.Told)) (string, error) {
	switch w.Do {
	case tui.DoTaps:
		return fmt.Sprintf("%d taps kept; style tapped lays the map on them", len(w.Taps)), job.AddTaps(d.f, w.Taps)
	case tui.DoUntap:
		_, err := d.f.Edit("taps removed", func(s *score.Score) error { s.Taps = nil; return nil })
		return "no taps any more", err
	case tui.DoPin:
		p, pinned, err := job.PinNearest(d.f, w.Frame)
		if pinned {
			return "beat " + p.String() + " pinned", err
		}
		return "beat " + p.String() + " let go", err
	case tui.DoBars:
		return job.ChangeBars(d.f, w.Name, int(w.Frame), int(w.Other), w.Text)
	case tui.DoHold:
		return job.HoldNearest(d.f, w.Frame, w.Text)
	case tui.DoFollow:
		res, err := job.FollowMap(ctx, d.f, job.FollowOptions{Style: tempo.Style(w.Style)}, working(tell))
		return fmt.Sprintf("the map follows %d beats, at most %.2f frames off", len(res.Beats.Beats), res.Largest.Float()), err
	}
	d.mu.Lock()
	offers := d.offers
	d.mu.Unlock()
	if w.Index < 0 || w.Index >= len(offers) {
		return "", fault.New(fault.Missing, "that map is not offered any more").Mended("solve again")
	}
	gone, err := job.KeepMap(d.f, offers[w.Index].Map, "map kept, "+w.Style)
	news := "map kept"
	for _, x := range gone {
		news += "; " + x + " of the old one gone (undo brings it back)"
	}
	return news, err
}

func (d *Desk) takes(w tui.Wish) (string, error) {
	switch w.Do {
	case tui.DoUseTake:
		return "take " + w.Take + " is in use", job.UseTake(d.f, w.Layer, w.Take)
	case tui.DoRate:
		_, err := job.RateTake(d.f, w.Layer, w.Take, w.Index)
		return fmt.Sprintf("take %s: %d of %d stars", w.Take, w.Index, score.MaxRating), err
	}
	_, err := job.SetComp(d.f, job.CompWish{Layer: w.Layer, Take: w.Take, From: w.From, To: w.To, Where: w.Name})
	return fmt.Sprintf("%s of %s sound from take %s", w.Name, w.Layer, w.Take), err
}

func (d *Desk) layers(ctx context.Context, w tui.Wish) (string, error) {
	switch w.Do {
	case tui.DoAddLayer:
		return "layer " + w.Name + " added", job.AddLayer(d.f, w.Name)
	case tui.DoPan:
		pan, err := job.MovePan(d.f, w.Layer, w.By)
		return fmt.Sprintf("%s at %.2f", w.Layer, pan), err
	case tui.DoDial:
		of := job.DialOf{Layer: w.Layer, Group: w.Group}
		return w.Name + ": " + w.Text, job.SetDial(ctx, d.f, of, w.Name, w.Text, job.Stretch{From: w.From, To: w.To})
	case tui.DoRide:
		name, group := w.Layer, w.Group != ""
		if group {
			name = w.Group
		}
		var knots []mix.Knot
		for _, m := range w.Moves {
			knots = append(knots, mix.Knot{At: m.At, DB: m.DB})
		}
		return fmt.Sprintf("the ride of %s is kept: %d moves", name, len(knots)), job.RideFader(d.f, name, group, job.Stretch{From: w.From, To: w.To}, knots)
	case tui.DoFader:
		if w.Group != "" {
			db, err := job.MoveGroup(d.f, w.Group, w.By)
			return fmt.Sprintf("group %s at %.1f dB", w.Group, db), err
		}
		db, err := job.MoveFader(d.f, w.Layer, w.By)
		return fmt.Sprintf("%s at %.1f dB", w.Layer, db), err
	case tui.DoMute:
		name, toggle := w.Layer, job.ToggleMute
		if w.Group != "" {
			name, toggle = "group "+w.Group, func(f *score.Folder, _ string) (bool, error) { return job.ToggleGroup(f, w.Group) }
		}
		out, err := toggle(d.f, w.Layer)
		if out {
			return name + " is left out", err
		}
		return name + " is in the mix", err
	}
	return "", fault.New(fault.Unexpected, "nobody does %q", string(w.Do))
}
