package compass

import (
	"math"

	"cuechoir/engine/pitch"
	"cuechoir/internal/dsp"
)

// point is a voiced reading on the glide.
type point struct {
	cents, level float64
	slope, off   float64 // cents a second of the line through it, and RMS about that line
	frame        int
	judged       bool
}

// glide is the voiced part of a siren.
type glide struct {
	hop      float64 // seconds
	points   []point
	room     []float64 // dB of the frames in which nothing sounds
	up, down map[uint8]bool
	gliding  float64 // share of the judged time
}

func newGlide(frames []pitch.Frame, sampleRate int) *glide {
	g := &glide{up: map[uint8]bool{}, down: map[uint8]bool{}}
	if len(frames) < 2 {
		return g
	}
	g.hop = float64(frames[1].Sample-frames[0].Sample) / float64(sampleRate)
	least := int(islandSeconds / g.hop)
	for i := 0; i < len(frames); {
		j := i
		for j < len(frames) && frames[j].Voiced == frames[i].Voiced {
			j++
		}
		switch {
		case frames[i].Voiced && j-i >= least:
			for k := i; k < j; k++ {
				g.points = append(g.points, point{cents: pitch.Cents(frames[k].Hz), level: frames[k].LevelDB, frame: k})
			}
		case !frames[i].Voiced:
			const fade = 0.1 // seconds at each end in which the voice may ring
			for k := i + int(fade/g.hop); k < j-int(fade/g.hop); k++ {
				g.room = append(g.room, frames[k].LevelDB)
			}
		}
		i = j
	}
	g.fitLines()
	return g
}

// span is the time from the first voice to the last, seconds.
func (g *glide) span() float64 {
	if len(g.points) == 0 {
		return 0
	}
	return float64(g.points[len(g.points)-1].frame-g.points[0].frame+1) * g.hop
}

// fitLines gives each point the least-squares line through its neighbourhood;
// at the ends of an unbroken stretch the nearest whole neighbourhood's.
func (g *glide) fitLines() {
	half := int(lineSeconds / 2 / g.hop)
	for from := 0; from < len(g.points); {
		to := from + 1
		for to < len(g.points) && g.points[to].frame == g.points[to-1].frame+1 {
			to++
		}
		if run := g.points[from:to]; len(run) > 2*half {
			for i := range run {
				mid := min(max(i, half), len(run)-1-half)
				run[i].slope, run[i].off = lineThrough(run[mid-half:mid+half+1], g.hop)
				run[i].judged = true
			}
		}
		from = to
	}
	g.ways()
}

// lineThrough is the slope of a line through points, cents a second, and their
// RMS about it, cents.
func lineThrough(near []point, hop float64) (slope, off float64) {
	half := len(near) / 2
	var mean, tt, ty float64
	for k, q := range near {
		t := float64(k-half) * hop
		mean += q.cents / float64(len(near))
		tt, ty = tt+t*t, ty+t*q.cents
	}
	slope = ty / tt
	sum := 0.0
	for k, q := range near {
		d := q.cents - mean - slope*float64(k-half)*hop
		sum += d * d
	}
	return slope, math.Sqrt(sum / float64(len(near)))
}

// ways tells which keys were passed upwards and which downwards, and how much
// of the time glides.
func (g *glide) ways() {
	glides, judged := 0, 0
	for _, p := range g.points {
		if !p.judged {
			continue
		}
		judged++
		switch {
		case p.slope >= glideRate:
			g.up[keyOf(p)] = true
			glides++
		case p.slope <= -glideRate:
			g.down[keyOf(p)] = true
			glides++
		}
	}
	if judged > 0 {
		g.gliding = float64(glides) / float64(judged)
	}
}

// keyOf is the MIDI key nearest to a point.
func keyOf(p point) uint8 { return uint8(max(0, min(127, math.Round(p.cents/100)))) }

// semitones are what was heard at each key from the lowest reached to the
// highest; keys that were leapt over hold no time.
func (g *glide) semitones() []Semitone {
	const keys = 128
	var seconds [keys]float64
	var offs, levels [keys][]float64
	for _, p := range g.points {
		if !p.judged {
			continue
		}
		k := keyOf(p)
		seconds[k] += g.hop
		offs[k], levels[k] = append(offs[k], p.off), append(levels[k], p.level)
	}
	lo, hi := keys, -1
	for k := range keys {
		if seconds[k] >= reachedSeconds {
			lo, hi = min(lo, k), k
		}
	}
	var out []Semitone
	var all []float64
	for k := lo; k <= hi; k++ {
		s := Semitone{Key: uint8(k), Seconds: seconds[k], LevelDB: math.Inf(-1), SteadyCents: math.Inf(1)}
		if len(offs[k]) > 0 {
			s.SteadyCents, s.LevelDB = dsp.Median(offs[k]), dsp.Median(levels[k])
			all = append(all, s.LevelDB)
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		return nil
	}
	median := dsp.Median(all)
	for i := range out {
		s := &out[i]
		s.LevelDB -= median
		s.Good = s.Seconds >= reachedSeconds && s.SteadyCents <= SteadyCents && s.LevelDB >= -SoftDB
	}
	return out
}
