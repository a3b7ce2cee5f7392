package cutlist

import (
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"strconv"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// ourMetadata is the key under which the metadata of an item or transition
// holds what the form has no place for.
const ourMetadata = "cuechoir"

type otioReader struct {
	a        Axis
	list     List
	problems []Problem
}

// readOTIO reads an OpenTimelineIO file: the cuts of the first video track of
// a Timeline (or of a bare Stack or Track), nested tracks and stacks opened
// up. Gaps and disabled items are black. Times at any rate are converted
// exactly; one between two frames is told and goes to the nearest. Source: the
// project's pages «File Format Specification», «Timeline Structure» and «Time
// Ranges».
func readOTIO(rd io.Reader, name string, a Axis) (List, []Problem, error) {
	text, err := readText(rd, name, MaxListBytes, true)
	if err != nil {
		return List{}, nil, err
	}
	tree, err := parseTree(text, name)
	if err != nil {
		return List{}, nil, err
	}
	r := otioReader{a: a}
	top, start, err := r.top(tree)
	if err != nil {
		return List{}, nil, fault.New(fault.Malformed, "%v", err).In(name, "$").Mended("export the picture's timeline as OpenTimelineIO")
	}
	film, err := r.composition(top, 0)
	if err != nil {
		return List{}, nil, fault.New(fault.Malformed, "%v", err).In(name, top.path).Mended("export the list again")
	}
	spans, ok := r.spans(film, start)
	if ok {
		cuts, problems := cutsOf(spans, a.Frames)
		r.list.Cuts = cuts
		r.problems = append(r.problems, problems...)
		r.placeMarkers(film, start)
	}
	if len(r.list.Cuts) > MaxCuts || len(r.list.Markers) > MaxCuts || len(r.problems) > maxProblems {
		return List{}, nil, fault.New(fault.OverLimit, "more than %d cuts or markers, or %d items that cannot be read", MaxCuts, maxProblems).In(name, "$").
			Mended("check that this is the right file")
	}
	r.list.settle()
	return r.list, r.problems, nil
}

func (r *otioReader) tell(path string, kept bool, format string, args ...any) {
	r.problems = append(r.problems, Problem{Place: path, What: fmt.Sprintf(format, args...), Kept: kept})
}

// top finds the composition to read, and how many frames after the
// reference's first its own time 0 stands.
func (r *otioReader) top(tree any) (node, *big.Rat, error) {
	start := new(big.Rat)
	m, ok := tree.(map[string]any)
	if !ok {
		return node{}, nil, fmt.Errorf("this is not an OpenTimelineIO object")
	}
	n := node{"$", m}
	if n.schema() == "SerializableCollection" {
		found := false
		for _, c := range n.children("children") {
			if s := c.schema(); s == "Timeline" || s == "Stack" || isTrack(s) {
				n, found = c, true
				break
			}
		}
		if !found {
			return node{}, nil, fmt.Errorf("the collection holds no timeline")
		}
	}
	r.list.Title = r.name(n, "name")
	switch s := n.schema(); {
	case s == "Timeline":
		tracks, ok := n.child("tracks")
		if !ok || tracks.schema() != "Stack" {
			return node{}, nil, fmt.Errorf("the timeline has no stack of tracks")
		}
		if _, has := n.child("global_start_time"); has {
			var err error
			if start, err = r.startFrames(n); err != nil {
				return node{}, nil, err
			}
		}
		return tracks, start, nil
	case s == "Stack", isTrack(s):
		return n, start, nil
	}
	return node{}, nil, fmt.Errorf("the object %q is no timeline", clip(n.text("OTIO_SCHEMA")))
}

func isTrack(schema string) bool { return schema == "Track" || schema == "Sequence" }

// startFrames is where a timeline's time code puts its time 0 on the
// reference, in frames. Time code 0 is what files hold that know of none: then
// time 0 is the reference's first frame. A start at another rate means its
// label: 01:00:00:00 is the same place on both clocks.
func (r *otioReader) startFrames(n node) (*big.Rat, error) {
	seconds, err := r.seconds(n, "global_start_time")
	if err != nil || seconds.Sign() <= 0 {
		return new(big.Rat), err
	}
	t, _ := n.child("global_start_time")
	rate, err := t.number("rate")
	if err != nil {
		return nil, err
	}
	own := big.NewRat(r.a.Rate.Num, r.a.Rate.Den)
	rate = exactRate(rate, r.a.Rate)
	frames := new(big.Rat).Mul(seconds, own)
	if rate.Cmp(own) != 0 {
		if frames, err = r.startLabel(frames.Mul(seconds, rate), rate); err != nil {
			return nil, err
		}
	}
	return frames.Sub(frames, new(big.Rat).SetInt64(r.a.Start)), nil
}

// startLabel is the frame, from 00:00:00:00, of the reference's label for the
// count-th frame of plain time code at another rate.
func (r *otioReader) startLabel(count, rate *big.Rat) (*big.Rat, error) {
	nominal := new(big.Int).Quo(new(big.Int).Add(rate.Num(), new(big.Int).Sub(rate.Denom(), big.NewInt(1))), rate.Denom())
	of := new(big.Rat).Quo(count, new(big.Rat).SetInt(nominal)) // seconds as the labels count them
	whole := new(big.Int).Quo(of.Num(), of.Denom()).Int64()
	if whole >= 24*3600 {
		return nil, fmt.Errorf("the global_start_time is beyond a day")
	}
	label := fmt.Sprintf("%02d:%02d:%02d:", whole/3600, whole/60%60, whole%60)
	frame, err := r.a.Rate.ParseTimecode(label + "00")
	for _, next := range []string{"02", "04"} { // drop-frame counting may have no such label: the next that it has
		if err != nil {
			frame, err = r.a.Rate.ParseTimecode(label + next)
		}
	}
	if err != nil {
		return nil, err
	}
	of.Sub(of, new(big.Rat).SetInt64(whole))
	of.Mul(of, big.NewRat(r.a.Rate.Num, r.a.Rate.Den))
	return of.Add(of, new(big.Rat).SetInt64(frame)), nil
}

// spans lays the film's stretches on the reference; false when none of it
// lies there.
func (r *otioReader) spans(film strip, start *big.Rat) ([]span, bool) {
	total := film.length()
	first, end := r.frame(new(big.Rat), start, ""), r.frame(total, start, "")
	if len(film.stretches) > 0 && (first >= r.a.Frames || end < 0 || end == 0 && first < 0) {
		r.tell("$", false, "the list runs from %s to %s, the reference from %s to %s: give the reference the list's start time code",
			r.a.timecode(first), r.a.timecode(end), r.a.timecode(0), r.a.timecode(r.a.Frames))
		return nil, false
	}
	var spans []span
	at := new(big.Rat)
	for _, s := range film.stretches {
		next := new(big.Rat).Add(at, s.length)
		p := span{at: r.frame(at, start, s.path), end: r.frame(next, start, ""), black: s.black, name: s.name, carried: s.carried, where: Problem{Place: s.path}}
		if s.into != nil {
			p.where.Place = s.into.path
			from := maxRat(new(big.Rat).Sub(at, s.into.before), new(big.Rat))
			to := minRat(new(big.Rat).Add(at, s.into.after), total)
			p.carried = s.into.carried
			p.into = &mix{from: r.frame(from, start, s.into.path), to: r.frame(to, start, s.into.path), wipe: s.into.wipe}
		}
		spans = append(spans, p)
		at = next
	}
	return spans, true
}

// frame is the reference's frame at a time of the film, in seconds, and tells
// a time between two frames at the given path ("" is told elsewhere).
func (r *otioReader) frame(at, start *big.Rat, path string) int64 {
	x := new(big.Rat).Mul(at, big.NewRat(r.a.Rate.Num, r.a.Rate.Den))
	x.Add(x, start)
	n := timecode.RoundRat(x)
	if path != "" && !x.IsInt() {
		r.tell(path, true, "%s seconds are frame %s of the reference, at %s: taken as %d", at.FloatString(4), x.FloatString(3), rateWords(r.a.Rate), n)
	}
	return n
}

func (r *otioReader) placeMarkers(film strip, start *big.Rat) {
	for _, m := range film.markers {
		n := r.frame(m.at, start, m.path)
		if n < 0 || n >= r.a.Frames {
			r.tell(m.path, false, "the marker at frame %d is outside the reference (0 to %d)", n, r.a.Frames-1)
			continue
		}
		r.list.Markers = append(r.list.Markers, Marker{n, m.name})
	}
}

// name reads a name, and tells when it had to be changed.
func (r *otioReader) name(n node, field string) string {
	name := n.text(field)
	clean := cleanName(name)
	if clean != name {
		r.tell(n.path+"."+field, true, "the name %q holds control characters or is longer than %d bytes: it was changed", clip(clean), MaxName)
	}
	return clean
}

// kept reads what our metadata carries.
func (r *otioReader) kept(n node) carried {
	all, _ := n.child("metadata")
	o, ok := all.child(ourMetadata)
	if !ok {
		return carried{}
	}
	k := carried{kind: Kind(o.text("kind"))}
	k.hand, _ = o.m["hand"].(bool)
	if _, has := o.m["frames"]; has {
		x, err := o.number("frames")
		if err != nil || !x.IsInt() || x.Sign() < 0 {
			r.tell(o.path+".frames", false, "this is not a number of frames")
			return carried{}
		}
		f := x.Num().Int64()
		k.frames = &f
	}
	if v, has := o.m["confidence"]; has {
		number, _ := v.(json.Number)
		f, err := strconv.ParseFloat(number.String(), 64)
		if err != nil || !(f >= 0 && f <= 1) {
			r.tell(o.path+".confidence", false, "this is not a number from 0 to 1")
			return carried{}
		}
		k.confidence = &f
	}
	if _, has := o.m["name"]; has {
		name := r.name(o, "name")
		k.name = &name
	}
	if k.kind != "" && !k.kind.known() {
		r.tell(o.path+".kind", false, "kind %q is not one of %s", clip(string(k.kind)), kindWords())
		return carried{}
	}
	return k
}

func maxRat(x, y *big.Rat) *big.Rat {
	if x.Cmp(y) < 0 {
		return y
	}
	return x
}

func minRat(x, y *big.Rat) *big.Rat {
	if x.Cmp(y) > 0 {
		return y
	}
	return x
}
