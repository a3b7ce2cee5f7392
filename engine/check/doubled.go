package check

import (
	"math"

	"cuechoir/engine/pitch"
	"cuechoir/internal/dsp"
)

// octaveNear is how near, in cents, the octave above a reading must lie to a
// note of the part before its creak is asked about.
const octaveNear = 150.0

// liftDoubled sets notes right whose period doubles by creak, so that they
// read an octave low: where the part has the octave above at that time, and
// the sound between its harmonics is too weak to be heard as the lower note.
// Creak is a habit of the voice: it is believed only when it is the rule among
// the layer's notes that lie so, since a vowel may make a true low note look
// like it.
func (l *layer) liftDoubled() {
	ratios := map[int]float64{}
	var all []float64
	for i, n := range l.notes {
		if !l.partHasOctaveAbove(n) {
			continue
		}
		r := pitch.SubharmonicRatio(l.in.Samples, l.in.SampleRate, l.in.Start, l.framesOf(n))
		if !math.IsNaN(r) {
			ratios[i] = r
			all = append(all, r)
		}
	}
	if len(all) == 0 || dsp.Median(all) >= pitch.HeardAsHigher {
		return
	}
	for i, r := range ratios {
		if r < pitch.HeardAsHigher {
			l.notes[i].CentreCents += 1200
		}
	}
}

func (l *layer) partHasOctaveAbove(n pitch.Note) bool {
	for _, t := range l.in.Targets {
		if !t.Unpitched && t.Start < n.Offset && t.End > n.Onset && math.Abs(n.CentreCents+1200-100*t.Key) < octaveNear {
			return true
		}
	}
	return false
}

// framesOf are the readings within a note that lie on its pitch.
func (l *layer) framesOf(n pitch.Note) []pitch.Frame {
	var out []pitch.Frame
	for _, f := range l.frames {
		if f.Sample >= n.Onset && f.Sample < n.Offset && f.Voiced && math.Abs(pitch.Cents(f.Hz)-n.CentreCents) < 300 {
			out = append(out, f)
		}
	}
	return out
}
