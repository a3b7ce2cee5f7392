package check

import (
	"fmt"
	"math"
	"sort"
)

// targetAt is the pitched or unpitched target that sounds at a sample, or -1.
func (l *layer) targetAt(sample int64) int {
	k := l.lastBegun(sample)
	if k >= 0 && sample < l.in.Targets[k].End {
		return k
	}
	return -1
}

// lastBegun is the last target that begins at or before a sample, or -1.
func (l *layer) lastBegun(sample int64) int {
	n := sort.Search(len(l.order), func(k int) bool { return l.in.Targets[l.order[k]].Start > sample })
	if n == 0 {
		return -1
	}
	return l.order[n-1]
}

// tellPlaces gives each finding its bar, beat, frame and words.
func (l *layer) tellPlaces() {
	for k := range l.report.Findings {
		f := &l.report.Findings[k]
		f.Frame = l.in.Rate.FrameOf(f.Sample, l.in.SampleRate)
		at := f.Note
		if at < 0 {
			at = l.lastBegun(f.Sample)
		}
		if at >= 0 {
			f.Bar, f.Beat = l.in.Targets[at].Bar, l.in.Targets[at].Beat
		}
		f.Words = l.place(*f) + l.say(*f)
	}
}

// place is "bar 3 beat 2.5 (la): " or "at 00:00:12:05: ".
func (l *layer) place(f Finding) string {
	switch f.Kind {
	case TunedLow, TunedHigh, AllEarly, AllLate, NoSound, Drift:
		return ""
	}
	s := "at " + l.in.Rate.Timecode(f.Frame)
	if f.Bar != 0 {
		s = fmt.Sprintf("bar %d", f.Bar)
		if f.Beat != "" {
			s += " beat " + f.Beat
		}
	}
	if f.Note >= 0 && l.in.Targets[f.Note].Name != "" {
		s += " (" + l.in.Targets[f.Note].Name + ")"
	}
	return s + ": "
}

// say is the finding without its place.
func (l *layer) say(f Finding) string {
	cents := math.Round(math.Abs(f.Cents))
	switch f.Kind {
	case Flat:
		return fmt.Sprintf("%.0f cents flat: sing it again, a little higher", cents)
	case Sharp:
		return fmt.Sprintf("%.0f cents sharp: sing it again, a little lower", cents)
	case Wrong:
		return l.sayWrong(f)
	case Missing:
		return "nothing was sung here: sing this note"
	case Extra:
		return fmt.Sprintf("%s was sung where the part has no note: leave it out", keyName(l.keyOf(f.Cents)))
	case Early, Late:
		return fmt.Sprintf("%s by %.0f ms (%.1f frames): %s", f.Kind, math.Abs(f.Milliseconds), math.Abs(f.Frames),
			map[Kind]string{Early: "wait for the click and sing it again", Late: "breathe sooner and sing it again"}[f.Kind])
	case Dropped:
		return fmt.Sprintf("%.0f ms of sound were lost: sing this bar again or use another take", f.Milliseconds)
	case Clipping:
		return "the sound is clipped: turn the input down and sing this again"
	case NoSound:
		return "nothing can be heard on this layer: check the microphone and its level, then sing it"
	default:
		return l.sayWhole(f)
	}
}

func (l *layer) sayWrong(f Finding) string {
	aim := l.results[l.resultOf(f)].Key
	sung := math.Round(aim + f.Cents/100)
	if math.Mod(math.Abs(sung-aim), 12) == 0 && sung != aim {
		way := "low"
		if f.Cents > 0 {
			way = "high"
		}
		if n := math.Abs(sung-aim) / 12; n > 1 {
			return fmt.Sprintf("%.0f octaves too %s: right note, wrong octave (%s for %s)", n, way, keyName(sung), keyName(aim))
		}
		return fmt.Sprintf("an octave too %s: right note, wrong octave (%s for %s)", way, keyName(sung), keyName(aim))
	}
	if sung == aim {
		sung += math.Copysign(1, f.Cents)
	}
	return fmt.Sprintf("%s was sung where the part has %s: sing it again", keyName(sung), keyName(aim))
}

// resultOf finds the note result of a finding.
func (l *layer) resultOf(f Finding) int {
	if f.Note >= 0 {
		return f.Note
	}
	for i, r := range l.results {
		if r.Onset == f.Sample {
			return i
		}
	}
	return 0
}

// sayWhole is for findings about the whole layer.
func (l *layer) sayWhole(f Finding) string {
	size := fmt.Sprintf("%.0f cents", math.Abs(f.Cents))
	if a := math.Abs(f.Cents); math.Round(a/1200) >= 1 && math.Abs(a-1200*math.Round(a/1200)) < 60 {
		size = "an octave"
		if n := math.Round(a / 1200); n > 1 {
			size = fmt.Sprintf("%.0f octaves", n)
		}
	}
	switch f.Kind {
	case TunedLow:
		return fmt.Sprintf("the whole layer lies %s low: take the first note from the pitch pipe, or retune the layer as a whole", size)
	case TunedHigh:
		return fmt.Sprintf("the whole layer lies %s high: take the first note from the pitch pipe, or retune the layer as a whole", size)
	case AllEarly:
		return fmt.Sprintf("the whole layer is early by %.0f ms (%.1f frames): measure the round trip again, or move the layer later", -f.Milliseconds, -f.Frames)
	case AllLate:
		return fmt.Sprintf("the whole layer is late by %.0f ms (%.1f frames): measure the round trip again, or move the layer earlier", f.Milliseconds, f.Frames)
	}
	way := "rises"
	if f.CentsPerMinute < 0 {
		way = "sinks"
	}
	where := "at " + l.in.Rate.Timecode(f.Frame)
	if f.Bar != 0 {
		where = fmt.Sprintf("bar %d", f.Bar)
	}
	s := fmt.Sprintf("the layer %s %.0f cents a minute, %s in all", way, math.Abs(f.CentsPerMinute), size) + l.sayWay() + l.sayCause()
	if l.leaves {
		return s + fmt.Sprintf("; from %s on it is more than %.0f cents off: sing it again from there, with the guide in your ear", where, l.in.Options.ListenCents)
	}
	return s + ": listen to the guide between phrases"
}

// sayWay says where a drift went, when most of it went somewhere.
func (l *layer) sayWay() string {
	w := l.report.Drift.Way
	if w.Even {
		return ""
	}
	name := func(minutes float64) string {
		sample := int64(minutes * 60 * float64(l.in.SampleRate))
		if k := l.lastBegun(sample); k >= 0 && l.in.Targets[k].Bar != 0 {
			return fmt.Sprintf("bar %d", l.in.Targets[k].Bar)
		}
		return l.in.Rate.Timecode(l.in.Rate.FrameOf(sample, l.in.SampleRate))
	}
	from, to := name(w.FromMinutes), name(w.ToMinutes)
	if from == to {
		return ", most of it in " + from
	}
	return fmt.Sprintf(", most of it from %s to %s", from, to)
}

// sayCause says what a drift goes by, and what to do.
func (l *layer) sayCause() string {
	c := l.report.Drift.Cause
	switch {
	case c.Times == 0:
		return ""
	case c.Breath:
		return fmt.Sprintf(", about %.0f at each breath: hear the next note before you start it", math.Abs(c.CentsEach))
	}
	way := "wider"
	if c.CentsEach > 0 {
		way = "narrower"
	}
	name, dir := IntervalName(c.Interval), "rising"
	if c.Interval < 0 {
		dir = "falling"
		way = map[string]string{"wider": "narrower", "narrower": "wider"}[way]
	}
	return fmt.Sprintf(", about %.0f at each %s %s: sing it %s", math.Abs(c.CentsEach), dir, name, way)
}

var intervalNames = [13]string{"unison", "half tone", "whole tone", "minor third", "major third", "fourth", "tritone", "fifth",
	"minor sixth", "major sixth", "minor seventh", "major seventh", "octave"}

// IntervalName is an interval of so many semitones, up or down, in words.
func IntervalName(semitones int) string {
	n := max(semitones, -semitones)
	if n < len(intervalNames) {
		return intervalNames[n]
	}
	if n%12 == 0 {
		return fmt.Sprintf("%d octaves", n/12)
	}
	return intervalNames[n%12] + " over an octave"
}

var keyNames = [12]string{"C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"}

// keyName is a MIDI key as a note, 60 = C4.
func keyName(key float64) string {
	k := int(math.Round(key))
	return fmt.Sprintf("%s%d", keyNames[((k%12)+12)%12], int(math.Floor(float64(k)/12))-1)
}
