package check

import (
	"math"
	"slices"
)

// A dropout is digital silence with torn edges: a voice that ends, or closes
// for a consonant, dies away over several milliseconds (a formant of 80 Hz
// bandwidth falls 20 dB in 9 ms); lost samples stop at once.
const (
	leastHoleSeconds = 0.005
	mostHoleSeconds  = 3.0
	silence          = 6.2e-5 // two steps of 16 bits
	edgeSeconds      = 0.0015 // what lies against the hole
	pastFromSeconds  = 0.006  // is held against what came this long before
	pastToSeconds    = 0.026  // to this long: two periods of a low voice
	tornRatio        = 0.2    // energy against the quietest of that
	edgeLevel        = 0.002  // RMS there, -54 dBFS, at least
)

// findHoles sets l.holes: found in the samples and known from the device,
// joined and in order.
func (l *layer) findHoles() {
	x := l.in.Samples
	least, most := int(l.samples(leastHoleSeconds)), int(l.samples(mostHoleSeconds))
	holes := slices.Clone(l.in.Dropouts)
	for i := 0; i < len(x); i++ {
		if !still(x[i]) {
			continue
		}
		j := i
		for j < len(x) && still(x[j]) {
			j++
		}
		if j-i >= least && j-i <= most && i > 0 && j < len(x) && l.torn(i, -1) && l.torn(j-1, +1) {
			holes = append(holes, Dropout{Sample: l.in.Start + int64(i), Length: int64(j - i)})
		}
		i = j
	}
	slices.SortFunc(holes, func(a, b Dropout) int { return int(max(-1, min(1, a.Sample-b.Sample))) })
	for _, h := range holes {
		if n := len(l.holes); n > 0 && h.Sample <= l.holes[n-1].Sample+l.holes[n-1].Length+l.samples(0.01) {
			last := &l.holes[n-1]
			last.Length = max(last.Length, h.Sample+h.Length-last.Sample)
			continue
		}
		l.holes = append(l.holes, h)
	}
}

func still(v float32) bool { return v < silence && v > -silence }

// torn: the sound beside the edge sample (going way, -1 back or +1 on) is as
// strong against the hole as it is farther from it.
func (l *layer) torn(edge, way int) bool {
	x := l.in.Samples
	w := max(8, int(l.samples(edgeSeconds)))
	energy := func(at int) (float64, bool) { // of w samples from edge+way*at on
		sum := 0.0
		for k := 1; k <= w; k++ {
			i := edge + way*(at+k)
			if way < 0 {
				i = edge - at - k
			}
			if i < 0 || i >= len(x) {
				return 0, false
			}
			sum += float64(x[i]) * float64(x[i])
		}
		return sum / float64(w), true
	}
	near, ok := energy(0)
	if !ok {
		return false
	}
	quietest, loudest := math.Inf(1), 0.0
	for at := int(l.samples(pastFromSeconds)); at < int(l.samples(pastToSeconds)); at += w / 2 {
		e, ok := energy(at)
		if !ok {
			break
		}
		quietest, loudest = min(quietest, e), max(loudest, e)
	}
	return loudest > edgeLevel*edgeLevel && !math.IsInf(quietest, 1) && near >= tornRatio*quietest && near > 4*silence*silence
}

// clip is a passage of clipped peaks: samples of Input.Samples.
type clip struct {
	from, to int
	peaks    int
	over     float64 // highest sample
}

const (
	flatSeconds   = 0.00012 // a flat top lasts at least this: 6 samples at 48 kHz
	flatLevel     = 0.25    // and lies no lower than -12 dBFS
	flatSlack     = 2e-4    // and is level to this share
	exactRun      = 4       // or so many equal samples
	exactSlack    = 1e-5
	clipPeaks     = 3   // so many in a passage
	clipApart     = 0.5 // seconds that part passages
	overFullScale = 1.0
)

// findClips finds flat tops: runs of samples stuck at the extreme of their
// neighbourhood, and float samples beyond full scale. A sine of E2 at 48 kHz
// stays within flatSlack of its top for four samples, so six are no sine.
func findClips(x []float32, sampleRate int) []clip {
	run := max(exactRun+1, int(math.Ceil(flatSeconds*float64(sampleRate))))
	apart := int(clipApart * float64(sampleRate))
	var out []clip
	mark := func(from, to int, v float64) {
		if n := len(out); n > 0 && from-out[n-1].to < apart {
			out[n-1].to, out[n-1].peaks, out[n-1].over = to, out[n-1].peaks+1, max(out[n-1].over, v)
			return
		}
		out = append(out, clip{from, to, 1, v})
	}
	for i := 1; i < len(x); {
		a := math.Abs(float64(x[i]))
		if a < flatLevel || a-a != 0 {
			i++
			continue
		}
		j := flatTo(x, i, flatSlack)
		exact := flatTo(x, i, exactSlack)
		switch {
		case a > overFullScale:
			for j < len(x) && math.Abs(float64(x[j])) > overFullScale {
				a = max(a, math.Abs(float64(x[j])))
				j++
			}
			mark(i, j, a)
			if n := len(out); out[n-1].peaks < clipPeaks {
				out[n-1].peaks = clipPeaks // one over is enough
			}
		case (j-i >= run || exact-i >= exactRun) && peaked(x, i, max(j, exact)):
			j = max(j, exact)
			mark(i, j, a)
		default:
			j = i + 1
		}
		i = j
	}
	return slices.DeleteFunc(out, func(c clip) bool { return c.peaks < clipPeaks })
}

func flatTo(x []float32, i int, slack float64) int {
	v := float64(x[i])
	j := i + 1
	for j < len(x) && math.Abs(float64(x[j])-v) <= slack*math.Abs(v) {
		j++
	}
	return j
}

// peaked: what lies beside the run is nearer to zero on both sides.
func peaked(x []float32, from, to int) bool {
	v := float64(x[from])
	sign := math.Copysign(1, v)
	ok := func(i int) bool { return i < 0 || i >= len(x) || float64(x[i])*sign < math.Abs(v) }
	return ok(from-1) && ok(to)
}

func (l *layer) reportDefects() {
	for _, h := range l.holes {
		ms := 1000 * float64(h.Length) / float64(l.in.SampleRate)
		l.add(Finding{Kind: Dropped, Note: l.targetAt(h.Sample), Sample: h.Sample, Milliseconds: ms,
			Severity: 4 + min(4, ms/50)})
	}
	for _, c := range l.clips {
		at := l.in.Start + int64(c.from)
		l.add(Finding{Kind: Clipping, Note: l.targetAt(at + int64(c.to-c.from)/2), Sample: at,
			Milliseconds: 1000 * float64(c.to-c.from) / float64(l.in.SampleRate),
			Severity:     3 + min(2, float64(c.peaks)/100)})
	}
}
