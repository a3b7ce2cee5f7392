package job

import (
	"fmt"

	"cuechoir/engine/score"
	"cuechoir/engine/take"
	"cuechoir/internal/fault"
)

// Crossfades of a comp. 20 ms hides a joint and no consonant; a syllable has a
// quiet moment within an eighth of a second (both common practice).
const (
	fadeMilliseconds   = 20
	searchMilliseconds = 120
	nearMilliseconds   = 50 // ends closer than this are one
)

// CompWish is a stretch of a layer and the take that is to sound there.
type CompWish struct {
	Layer    string
	Take     string // "": the take in use, so the stretch leaves the comp
	From, To int64  // timeline samples
	Where    string // the stretch in words: "bar 12"
	Fade     int64  // samples; 0: 20 ms
}

// Comp is a layer's comp: which take sounds where.
type Comp struct {
	Layer string
	Base  string // the take in use, which sounds where no stretch is
	Spans []score.Span
	Notes []string // what is silent or shaky
}

// ShowComp is a layer's comp, with its takes looked for.
func ShowComp(f *score.Folder, layer string) (Comp, error) {
	s, err := f.Load()
	if err != nil {
		return Comp{}, err
	}
	return compOf(f, s, layer)
}

func compOf(f *score.Folder, s *score.Score, layer string) (Comp, error) {
	l, err := Layer(s, layer)
	if err != nil {
		return Comp{}, err
	}
	snd, ok, err := soundOf(f, l)
	if err != nil {
		return Comp{}, err
	}
	if !ok {
		return Comp{}, notSung(layer)
	}
	return Comp{Layer: layer, Base: snd.takes[0].ID, Spans: l.Comp, Notes: snd.remarks(s)}, nil
}

func notSung(layer string) error {
	return fault.New(fault.Missing, "layer %s is not sung yet", layer).Mended("sing it: cuechoir sing %s", layer)
}

// SetComp lays a take over a stretch of a layer. Its joints move to the
// quietest moment of both takes within 120 ms and stay there. From then on the
// take in use is the layer's by name. Errors: Missing (no such take, not sung),
// Usage (the take has no sound in all of the stretch).
func SetComp(f *score.Folder, w CompWish) (Comp, error) {
	label := fmt.Sprintf("take %s of %s for %s", w.Take, w.Layer, w.Where)
	if w.Take == "" {
		label = fmt.Sprintf("comp of %s cleared for %s", w.Layer, w.Where)
	}
	return editComp(f, label, w.Layer, func(s *score.Score, l *score.Layer) error { return layComp(f, s, l, w) })
}

// ClearComp leaves all of a layer to its take in use.
func ClearComp(f *score.Folder, layer string) (Comp, error) {
	return editComp(f, "comp of "+layer+" cleared", layer, func(_ *score.Score, l *score.Layer) error { l.Comp = nil; return nil })
}

// editComp edits a layer's comp, having named its take in use.
func editComp(f *score.Folder, label, layer string, change func(*score.Score, *score.Layer) error) (Comp, error) {
	s, err := f.Edit(label, func(s *score.Score) error {
		l, err := Layer(s, layer)
		if err != nil {
			return err
		}
		return change(s, l)
	})
	if err != nil {
		return Comp{}, err
	}
	return compOf(f, s, layer)
}

// nameBase makes the take in use the layer's by name: a comp lies over one take.
func nameBase(f *score.Folder, l *score.Layer) error {
	base, ok, err := takeInUse(f, l)
	if err != nil {
		return err
	}
	if !ok {
		return notSung(l.Name)
	}
	l.Use = base.ID
	return nil
}

// layComp lays one wish and finds the joints' places.
func layComp(f *score.Folder, s *score.Score, l *score.Layer, w CompWish) error {
	if err := nameBase(f, l); err != nil {
		return err
	}
	if w.Take == "" {
		w.Take = l.Use
	}
	t, err := takeNamed(f, l, w.Take)
	if err != nil {
		return err
	}
	if w.Take != l.Use && (t.Start > w.From || t.End() < w.To) {
		return fault.New(fault.Usage, "take %s of %s has sound from %s to %s, which is not all of %s", t.ID, l.Name,
			timecodeAt(s, t.Start), timecodeAt(s, t.End()), w.Where).Mended("choose another take or a shorter stretch")
	}
	if w.Fade == 0 {
		w.Fade = milliseconds(s, fadeMilliseconds)
	}
	if w.Fade < 0 || w.Fade > int64(s.SampleRate) {
		return fault.New(fault.Usage, "a crossfade of %d samples is not within a second", w.Fade)
	}
	return placeJoints(f, s, l, l.SetSpan(w.Take, w.From, w.To, w.Fade, milliseconds(s, nearMilliseconds)))
}

func milliseconds(s *score.Score, n int64) int64 { return n * int64(s.SampleRate) / 1000 }

// placeJoints moves joints to the quietest moment of the takes that meet there.
func placeJoints(f *score.Folder, s *score.Score, l *score.Layer, wishes []int64) error {
	search := milliseconds(s, searchMilliseconds)
	for _, at := range wishes {
		a, b := l.Meet(at)
		voices, err := openMeeting(f, s, l, a, b)
		if err != nil {
			return err
		}
		place, err := take.QuietPlace(voices[0], voices[1], at, min(search, l.Reach(at)), l.JointAt(at).Fade)
		closeVoices(voices)
		if err != nil {
			return err
		}
		l.MoveJoint(at, place)
	}
	return nil
}

// openMeeting opens two takes of a layer; "" is the one in use.
func openMeeting(f *score.Folder, s *score.Score, l *score.Layer, ids ...string) ([]take.Voice, error) {
	var takes []take.Info
	for _, id := range ids {
		if id == "" {
			id = l.Use
		}
		t, err := takeNamed(f, l, id)
		if err != nil {
			return nil, err
		}
		takes = append(takes, t)
	}
	return openVoices(f, takes, s.SampleRate)
}

// TakeStretch is all that a take was sung for.
func TakeStretch(f *score.Folder, layer, id string) (lo, hi int64, err error) {
	s, err := f.Load()
	if err != nil {
		return 0, 0, err
	}
	l, err := Layer(s, layer)
	if err != nil {
		return 0, 0, err
	}
	t, err := takeNamed(f, l, id)
	if err != nil {
		return 0, 0, err
	}
	lo, hi = t.Wanted()
	if lo >= hi {
		return 0, 0, fault.New(fault.Usage, "take %s of %s ended before what it was sung for", id, layer)
	}
	return lo, hi, nil
}
