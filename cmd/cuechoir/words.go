package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
)

// seconds is a length for people: samples as "12.34 s", rounded from the
// exact number.
func seconds(samples int64, sampleRate int) string {
	hundredths := timecode.R(samples*100, int64(sampleRate)).Round()
	return fmt.Sprintf("%d.%02d s", hundredths/100, hundredths%100)
}

// decibels is an amplitude as dBFS.
func decibels(amplitude float64) string {
	if amplitude <= 0 {
		return "silent"
	}
	return fmt.Sprintf("%.1f dBFS", 20*math.Log10(amplitude))
}

// orNull keeps what JSON cannot say (minus infinity) as null.
func orNull(x float64) *float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return nil
	}
	return &x
}

// recovered opens the folder, with what was cut off there mended and told.
func (a *app) recovered() (*score.Folder, error) {
	f, err := a.folder()
	if err != nil {
		return nil, err
	}
	if err := a.recover(f); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// loadRecovered is load, and then what recovered does.
func (a *app) loadRecovered() (*score.Folder, *score.Score, error) {
	f, s, err := a.load()
	if err != nil {
		return nil, nil, err
	}
	if err := a.recover(f); err != nil {
		f.Close()
		return nil, nil, err
	}
	return f, s, nil
}

// recover mends takes that were cut off and tells each.
func (a *app) recover(f *score.Folder) error {
	if left := job.ClearLeftovers(f, time.Now()); len(left) > 0 {
		a.note("removed what a program that was stopped had not finished: %s", strings.Join(left, ", "))
	}
	found, err := job.Recover(f)
	if err != nil {
		return err
	}
	for _, t := range found {
		switch {
		case t.Err != nil:
			a.note("take %s of %s was cut off and could not be mended: %v", t.Info.ID, t.Info.Layer, t.Err)
		case t.Empty:
			a.note("take %s of %s was cut off before it held any sound", t.Info.ID, t.Info.Layer)
		case t.Unplaced:
			a.note("take %s of %s was recovered, but where it starts is not known: it is placed at frame 0", t.Info.ID, t.Info.Layer)
		default:
			a.note("take %s of %s was cut off; %s of it are recovered", t.Info.ID, t.Info.Layer, seconds(t.Info.Frames, t.Info.SampleRate))
		}
	}
	return nil
}
