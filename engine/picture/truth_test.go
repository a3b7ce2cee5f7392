package picture

import (
	"math/rand/v2"

	"cuechoir/engine/cutlist"
)

// truthFilm is a made-up film of which each change is known. It renders one
// frame at a time.
type truthFilm struct {
	rng    *rand.Rand
	look   look
	shots  []shot
	cuts   []cutlist.Cut // in order
	flash  map[int64]light
	torn   map[int64]bool
	frames int64
	wear   wear
}

// look is a sort of film.
type look struct {
	damage  damage
	flashes bool // long ones and many
	quick   bool // hard cuts alone, many of them few frames apart, to cards, dark shots and boiling ones
}

// shot is a scene from its first whole or mixed frame to its last.
type shot struct {
	from, to int64 // to exclusive
	scene    scene
	in, out  ramp
}

// ramp is how a shot begins or ends.
type ramp struct {
	kind   cutlist.Kind
	frames int64
	level  float64 // what a fade goes to
}

// newTruthFilm cuts a film of so many shots.
func newTruthFilm(seed uint64, shots int, lk look) *truthFilm {
	rng := rand.New(rand.NewPCG(seed, 42))
	f := &truthFilm{rng: rng, look: lk, flash: map[int64]light{}, torn: map[int64]bool{}}
	at := int64(0)
	in := ramp{kind: cutlist.HardCut}
	for i := range shots {
		s := shot{scene: newScene(rng), in: in}
		if lk.quick {
			s.scene = oddScene(rng)
		}
		length := int64(20 + rng.IntN(60))
		if rng.IntN(5) == 0 {
			length = int64(9 + rng.IntN(8)) // quick cutting
		}
		if lk.quick && rng.IntN(2) == 0 {
			length = int64(4 + rng.IntN(5))
		}
		s.out, in = f.transition(i == shots-1)
		s.from = at
		body := at + s.in.frames + length
		s.to = body + s.out.frames
		at = body // of a dissolve, the next shot begins with the mix
		switch s.out.kind {
		case cutlist.HardCut:
			if i < shots-1 {
				f.cuts = append(f.cuts, cutlist.Cut{Frame: at, End: at, Kind: cutlist.HardCut})
			}
		case cutlist.Dissolve:
			f.cuts = append(f.cuts, cutlist.Cut{Frame: body, End: s.to, Kind: cutlist.Dissolve})
		case cutlist.FadeOut:
			f.cuts = append(f.cuts, cutlist.Cut{Frame: body, End: s.to, Kind: cutlist.FadeOut})
			at = s.to + int64(rng.IntN(14)) // black for a while, or not at all
			f.cuts = append(f.cuts, cutlist.Cut{Frame: at, End: at + in.frames, Kind: cutlist.FadeIn})
		}
		f.shots = append(f.shots, s)
		f.addFlash(s, length)
		f.frames = s.to
	}
	return f
}

// transition draws how a shot ends and the next begins.
func (f *truthFilm) transition(last bool) (out, in ramp) {
	n := int64(8 + f.rng.IntN(23))
	switch p := f.rng.IntN(100); {
	case last || p < 55 || f.look.quick:
		return ramp{kind: cutlist.HardCut}, ramp{kind: cutlist.HardCut}
	case p < 80:
		return ramp{cutlist.Dissolve, n, 0}, ramp{cutlist.Dissolve, n, 0}
	case p < 95:
		return ramp{cutlist.FadeOut, n, 3}, ramp{cutlist.FadeIn, int64(8 + f.rng.IntN(23)), 3}
	}
	return ramp{cutlist.FadeOut, n, 250}, ramp{cutlist.FadeIn, int64(8 + f.rng.IntN(23)), 250}
}

// addFlash puts a flash of one to three frames into some shots, and a burnt
// and torn frame into a damaged one.
func (f *truthFilm) addFlash(s shot, length int64) {
	if f.look.flashes {
		f.addLongFlash(s.from+s.in.frames, s.from+s.in.frames+length)
		return
	}
	if length < 16 {
		return
	}
	mid := s.from + s.in.frames + 6 + f.rng.Int64N(length-12)
	if f.rng.IntN(6) == 0 {
		for i := range 1 + f.rng.Int64N(3) {
			f.flash[mid+i] = light{gain: 0.5 + f.rng.Float64()}
		}
	} else if f.look.damage != clean && f.rng.IntN(5) == 0 {
		f.torn[mid] = true
	}
}

// render draws all frames, in order. src takes those of the source's size, and
// may be nil.
func (f *truthFilm) render(each func(Grey), src func([]byte)) {
	a, b := make([]float32, srcW*srcH), make([]float32, srcW*srcH)
	big, pix := make([]byte, srcW*srcH), make([]byte, filmW*filmH)
	for k := range f.frames {
		f.wear.next(f.rng, f.look.damage)
		f.compose(k, a, b)
		f.damageSource(k, a)
		for i, v := range a {
			big[i] = level8(v)
		}
		if src != nil {
			src(big)
		}
		bringDown(big, pix)
		if f.look.damage == ruined {
			f.ruin(k, pix)
		}
		each(Grey{Index: k, W: filmW, H: filmH, Pix: pix})
	}
}

func level8(v float32) byte { return byte(max(0, min(255, v+0.5))) }

// bringDown is the mean of each shrinkBy by shrinkBy pixels: what FFmpeg's
// scale filter with flags=area gives at a whole ratio (TestBringDown).
func bringDown(big, small []byte) {
	for y := range filmH {
		for x := range filmW {
			s := 0
			for j := range shrinkBy {
				for _, v := range big[(y*shrinkBy+j)*srcW+x*shrinkBy:][:shrinkBy] {
					s += int(v)
				}
			}
			small[y*filmW+x] = byte((s + shrinkBy*shrinkBy/2) / (shrinkBy * shrinkBy))
		}
	}
}

// compose mixes the shots that are seen in frame k into a.
func (f *truthFilm) compose(k int64, a, b []float32) {
	found := false
	level := float32(3)
	for i := range f.shots {
		s := &f.shots[i]
		if k < s.from || k >= s.to {
			if k >= s.to && s.out.kind == cutlist.FadeOut {
				level = float32(s.out.level)
			}
			continue
		}
		share, fade := s.shareAt(k)
		s.scene.draw(float64(k-s.from), f.wear.x, f.wear.y, b)
		switch {
		case found:
			for j := range a {
				a[j] += share*b[j] + fade
			}
		case share < 1:
			for j := range a {
				a[j] = share*b[j] + fade
			}
		default:
			copy(a, b)
		}
		found = true
	}
	if !found {
		for j := range a {
			a[j] = level
		}
	}
}

// shareAt is how much of the shot is in the mix of frame k, and what the tone
// that it fades to adds.
func (s *shot) shareAt(k int64) (share, fade float32) {
	share = 1
	if d := k - s.from; s.in.kind != cutlist.HardCut && d < s.in.frames {
		share = float32(d+1) / float32(s.in.frames+1)
		if s.in.kind == cutlist.FadeIn {
			fade = (1 - share) * float32(s.in.level)
		}
	}
	if d := s.to - k; s.out.kind != cutlist.HardCut && d <= s.out.frames {
		share = float32(d) / float32(s.out.frames+1)
		if s.out.kind == cutlist.FadeOut {
			fade = (1 - share) * float32(s.out.level)
		}
	}
	return share, fade
}
