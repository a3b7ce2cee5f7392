package beats

import (
	"fmt"
	"math"
	"math/rand/v2"

	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// piece is a made-up reference whose beats are known.
type piece struct {
	seed    uint64
	manner  string // march, ostinato, waltz, chorale, sparse, gallop
	metre   int
	bpm     float64
	pace    string // steady, sway, walk, slowing, fermata
	dirt    string // clean, worn, voiced
	seconds float64
}

func (p piece) String() string {
	return fmt.Sprintf("seed %d: %s in %d, %.0f BPM %s, %s", p.seed, p.manner, p.metre, p.bpm, p.pace, p.dirt)
}

// beatTimes gives the beats of a piece in seconds, and one more for its end.
func (p piece) beatTimes(r *rand.Rand) []float64 {
	at := 0.3 + 0.5*r.Float64()
	cycle, turn := 8+12*r.Float64(), 2*math.Pi*r.Float64()
	walk := 0.0
	stop := p.metre * (4 + r.IntN(4)) // the beat that is held
	var out []float64
	for at < p.seconds {
		out = append(out, at)
		tempo := 1.0
		switch p.pace {
		case "sway":
			tempo += 0.15 * math.Sin(2*math.Pi*at/cycle+turn)
		case "walk":
			walk = max(-0.15, min(0.15, walk+0.02*r.NormFloat64()))
			tempo += walk
		case "slowing": // slower by a quarter towards the end
			tempo -= 0.25 * max(0, (at/p.seconds-0.5)*2)
		case "fermata":
			if len(out) == stop {
				tempo = 0.4
			}
		}
		at += 60 / (p.bpm * tempo)
	}
	return append(out, at)
}

// render plays the piece and gives its sound, its beats in seconds, and the
// index of the first beat of each bar.
func (p piece) render() (x []float32, beats []float64, bars []int) {
	r := rand.New(rand.NewPCG(p.seed, 0x62656174))
	beats = p.beatTimes(r)
	x = make([]float32, int(p.seconds*synthRate))
	m := &music{piece: p, r: r, x: x, beats: beats, root: 48 + float64(r.IntN(7))}
	for b := 0; b+1 < len(beats); b += p.metre {
		bars = append(bars, b)
		m.bar(b, len(bars)-1)
	}
	p.wear(x, r)
	return x, beats[:len(beats)-1], bars
}

// wear puts the reference through an old projector: 100 Hz to 8 kHz, hiss,
// crackle; and a voice-over as loud as the music.
func (p piece) wear(x []float32, r *rand.Rand) {
	if p.dirt == "voiced" {
		v := singer.Voice{Seed: p.seed, SampleRate: synthRate, Breath: 0.1, JitterCents: 20}
		say := v.Sing(singer.Speech(p.seed, 0, int64(len(x)), synthRate, 41+6*r.Float64()), 0, int64(len(x)))
		mixAt(x, say, dsp.RMS(x)/dsp.RMS(say))
	}
	if p.dirt != "clean" {
		hiss := dsp.RMS(x) * math.Pow(10, -(18+8*r.Float64())/20)
		for i := range x {
			x[i] += float32(hiss * r.NormFloat64())
		}
		for range int(8 * p.seconds) { // crackle: eight a second
			x[r.IntN(len(x))] += float32(hiss * 30 * r.NormFloat64())
		}
	}
	for _, c := range oldSound() {
		(&dsp.Biquad{Coefficients: c}).Process(x)
	}
	mixAt(x, x, 0.1/dsp.RMS(x)-1) // -20 dBFS
}

func mixAt(x, y []float32, gain float64) {
	for i := range x {
		x[i] += float32(gain) * y[i]
	}
}

func oldSound() []dsp.Coefficients {
	low, err := dsp.ButterworthHighpass(2, 100, synthRate)
	if err != nil {
		panic(err)
	}
	high, err := dsp.ButterworthLowpass(4, 8000, synthRate)
	if err != nil {
		panic(err)
	}
	return append(low, high...)
}

// music writes bars.
type music struct {
	piece
	r     *rand.Rand
	x     []float32
	beats []float64
	root  float64
	chord [3]float64
	rest  bool // the bar before was silent
	tune  float64
}

// harmonies are triads on steps of a minor scale, in half tones.
var harmonies = [][3]float64{{0, 3, 7}, {5, 8, 12}, {7, 10, 14}, {3, 7, 10}, {8, 12, 15}, {10, 14, 17}}

// at is the time of a fraction of the beats from beat b on.
func (m *music) at(b int, beats float64) float64 {
	k := b + int(math.Floor(beats))
	f := beats - math.Floor(beats)
	if k+1 >= len(m.beats) {
		last := len(m.beats) - 1
		return m.beats[last] + (float64(b)+beats-float64(last))*(m.beats[last]-m.beats[last-1])
	}
	return m.beats[k] + f*(m.beats[k+1]-m.beats[k])
}

// play puts a note some milliseconds beside its time, as people do.
func (m *music) play(n tone, b int, beats float64) {
	n.add(m.x, m.at(b, beats)+0.006*m.r.NormFloat64(), m.r)
}

func (m *music) span(b int, beats, length float64) float64 {
	return m.at(b, beats+length) - m.at(b, beats)
}

func (m *music) bar(b, index int) {
	if !m.rest && index > 2 && m.r.Float64() < 0.06 {
		m.rest = true // a silent bar
		return
	}
	m.rest = false
	h := harmonies[m.r.IntN(len(harmonies))]
	for i := range h {
		m.chord[i] = m.root + h[i]
	}
	loud := 0.6 + 0.4*math.Sin(float64(index)*0.7) // the music swells and sinks
	switch m.manner {
	case "march":
		m.march(b, loud)
	case "waltz":
		m.waltz(b, loud)
	case "chorale":
		m.chorale(b, loud)
	case "sparse":
		m.sparse(b, loud)
	case "gallop":
		m.gallop(b, loud)
	default:
		m.ostinato(b, index, loud)
	}
	if index%4 == 0 && m.r.Float64() < 0.7 {
		m.play(cymbal(0.25*loud), b, 0)
	}
}

func (m *music) stab(b int, beats, length, level float64) {
	for _, k := range m.chord {
		m.play(pluck(k+12, m.span(b, beats, length), level), b, beats)
	}
}

func (m *music) swell(b int, beats, length, attack, level float64) {
	for _, k := range m.chord {
		m.play(brass(k+12, 0.9*m.span(b, beats, length), attack, level), b, beats)
	}
}

// melody sings over the bar: lengths of half to two beats, off the beat too.
func (m *music) melody(b int, level float64) {
	if m.tune == 0 {
		m.tune = 12
	}
	for at := 0.5 * float64(m.r.IntN(2)); at < float64(m.metre); {
		length := []float64{0.5, 1, 1, 1.5, 2}[m.r.IntN(5)]
		if m.r.Float64() < 0.85 {
			m.tune = max(7, min(24, m.tune+float64(m.r.IntN(7)-3)))
			m.play(bowed(m.root+m.tune+5, 0.9*m.span(b, at, length), level), b, at)
		}
		at += length
	}
}

func (m *music) march(b int, loud float64) {
	for k := range m.metre {
		level := 0.12
		if k == 0 {
			level = 0.2
		}
		m.stab(b, float64(k), 0.4, level*loud)
		if k%2 == 0 {
			m.play(timpani(m.chord[0]-5, 0.5*loud), b, float64(k))
		}
	}
	m.melody(b, 0.1*loud)
}

func (m *music) waltz(b int, loud float64) {
	m.play(pluck(m.chord[0]-3, 0.4, 0.5*loud), b, 0)
	for k := 1; k < m.metre; k++ {
		m.stab(b, float64(k), 0.4, 0.1*loud)
	}
	m.melody(b, 0.12*loud)
}

func (m *music) chorale(b int, loud float64) {
	for k := 0; k < m.metre; {
		n := 1 + m.r.IntN(2)
		m.swell(b, float64(k), float64(n), 0.03+0.07*m.r.Float64(), 0.08*loud)
		k += n
	}
	m.play(timpani(m.chord[0]-5, 0.4*loud), b, 0)
	if m.r.Float64() < 0.5 {
		m.play(timpani(m.chord[0], 0.25*loud), b, float64(m.metre-1))
	}
}

func (m *music) sparse(b int, loud float64) {
	m.play(timpani(m.chord[0]-5, 0.5*loud), b, 0)
	for k := range m.metre {
		if m.r.Float64() < 0.75 {
			m.play(pluck(m.chord[m.r.IntN(3)]+12, 0.5, 0.25*loud), b, float64(k))
		}
	}
	m.swell(b, 0, float64(m.metre), 0.5, 0.04*loud)
}

func (m *music) gallop(b int, loud float64) {
	for k := range m.metre {
		level := 0.2
		if k == 0 {
			level = 0.3
		}
		for i, at := range []float64{0, 0.5, 0.75} {
			m.play(bowed(m.chord[i%3]+12, 0.15, loud*level/float64(1+2*min(i, 1))), b, float64(k)+at)
		}
		m.play(pluck(m.chord[0]-3, 0.2, loud*level), b, float64(k))
	}
	m.melody(b, 0.08*loud)
}

func (m *music) ostinato(b, index int, loud float64) {
	for k := range 2 * m.metre {
		level := []float64{0.2, 0.09}[k%2]
		if k == 0 {
			level = 0.28
		}
		m.play(pluck(m.chord[k%3]+12, 0.2, loud*level), b, float64(k)/2)
	}
	m.play(timpani(m.chord[0]-5, 0.35*loud), b, 0)
	if index%2 == 0 {
		m.swell(b, 0, float64(m.metre), 0.25, 0.06*loud)
	}
	if m.r.Float64() < 0.5 {
		m.melody(b, 0.07*loud)
	}
}
