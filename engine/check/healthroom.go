package check

import (
	"math"
	"math/cmplx"
	"slices"

	"cuechoir/internal/dsp"
)

// The room is heard where nobody sings: in stretches of quietSeconds that lie
// well under the voice. Their spectra (Hann, so that 50 and 60 Hz stand apart:
// the main lobe is ±4 Hz) give the hum; what is left over is the noise.
// Known failure: a take without a pause of half a second has no room to hear.
const (
	quietSeconds   = 0.5
	roomUnderVoice = 15.0 // dB that a pause lies under the voice
	roomOverFloor  = 6.0  // dB over the quietest tenth: a breath or a page turned is no room
	humHarmonics   = 10
	humStandsOut   = 10.0 // dB of a mains tone over what lies beside it
	humSlack       = 0.4  // Hz that the mains are off, with room (from memory: ±0.2 Hz in normal running)
)

// measureRoom sets Paused, NoiseDB, HumDB and HumHz.
func (h *Health) measureRoom(in HealthInput) {
	n := int(quietSeconds * float64(in.SampleRate))
	rooms := quietStretches(in.Samples, n, h.VoiceDB)
	if len(rooms) == 0 {
		return
	}
	h.Paused = true
	spectrum, err := newSpectrum(n, in.SampleRate)
	if err != nil {
		h.Paused = false
		return
	}
	var all []float64 // mean square of each
	for _, at := range rooms {
		x := in.Samples[at : at+n]
		all = append(all, meanSquare(x))
		spectrum.add(x)
	}
	total := middleOf(all)
	hum := 0.0
	for _, mains := range []float64{50, 60} {
		if p := spectrum.humOf(mains); p > hum {
			hum, h.HumHz = p, mains
		}
	}
	if hum > 0 {
		h.HumDB = max(dsp.PowerToDB(hum), Silent)
	}
	h.NoiseDB = max(dsp.PowerToDB(max(total-hum, 0)), Silent)
}

// quietStretches are the starts of stretches of n samples, half over each
// other, that are the room alone.
func quietStretches(x []float32, n int, voiceDB float64) []int {
	type stretch struct {
		at    int
		level float64
	}
	var all []stretch
	for at := 0; at+n <= len(x); at += n / 2 {
		// The loudest fifth of it counts: a voice that begins is no room.
		loud := 0.0
		for k := range 5 {
			loud = max(loud, meanSquare(x[at+k*n/5:at+(k+1)*n/5]))
		}
		if loud > 0 { // digital silence is a gap, not a room
			all = append(all, stretch{at, dsp.PowerToDB(loud)})
		}
	}
	if len(all) == 0 {
		return nil
	}
	slices.SortStableFunc(all, func(a, b stretch) int {
		switch {
		case a.level < b.level:
			return -1
		case a.level > b.level:
			return 1
		}
		return 0
	})
	floor := all[len(all)/10].level
	var out []int
	for _, s := range all {
		if s.level <= floor+roomOverFloor && (s.level <= voiceDB-roomUnderVoice || voiceDB < deadVoiceDB) {
			out = append(out, s.at)
		}
	}
	return out
}

func middleOf(x []float64) float64 {
	x = slices.Clone(x)
	slices.Sort(x)
	return x[len(x)/2]
}

// spectrum gathers power spectra of stretches of one length.
type spectrum struct {
	fft    *dsp.RealFFT
	window []float64
	x      []float64
	bins   []complex128
	power  [][]float64 // of each stretch: mean square of a tone in the middle of a bin
	hz     float64     // of a bin
	scale  float64
}

// padding is how many times longer than the stretch the transform is: a tone
// between bins is then read within 0.3 dB.
const padding = 2

func newSpectrum(n, sampleRate int) (*spectrum, error) {
	size := 2
	for size < padding*n {
		size *= 2
	}
	fft, err := dsp.NewRealFFT(size)
	if err != nil {
		return nil, err
	}
	s := &spectrum{fft: fft, window: dsp.Hann(n), x: make([]float64, size), bins: make([]complex128, fft.Bins()), hz: float64(sampleRate) / float64(size)}
	sum := 0.0
	for _, w := range s.window {
		sum += w
	}
	s.scale = 2 / (sum * sum) // amplitude a reads a·sum/2; its mean square is a²/2
	return s, nil
}

func (s *spectrum) add(x []float32) {
	clear(s.x)
	for i, v := range x {
		if v == v {
			s.x[i] = float64(v) * s.window[i]
		}
	}
	s.fft.Forward(s.bins, s.x)
	most := min(int(math.Ceil(humHarmonics*60*1.1/s.hz)), len(s.bins)-1)
	p := make([]float64, most+1)
	for k := range p {
		a := cmplx.Abs(s.bins[k])
		p[k] = a * a * s.scale
	}
	s.power = append(s.power, p)
}

// at is the middle power of the stretches around a frequency: the largest in
// hz ± slack.
func (s *spectrum) at(hz, slack float64) float64 {
	from, to := int(math.Floor((hz-slack)/s.hz)), int(math.Ceil((hz+slack)/s.hz))
	var each []float64
	for _, p := range s.power {
		most := 0.0
		for k := max(from, 0); k <= min(to, len(p)-1); k++ {
			most = max(most, p[k])
		}
		each = append(each, most)
	}
	return middleOf(each)
}

// humOf is the mean square of the mains' tones that stand out; 0 when neither
// the first nor the second does, since a hum has one of them.
func (s *spectrum) humOf(mains float64) float64 {
	sum, based := 0.0, false
	ratio := math.Pow(10, humStandsOut/10)
	for k := 1; k <= humHarmonics; k++ {
		hz := mains * float64(k)
		p := s.at(hz, humSlack*float64(k))
		// Beside it, beyond the window's main lobe, and not on the other mains.
		beside := max(s.at(hz-5.5, 0.5), s.at(hz+5.5, 0.5))
		if p > ratio*beside {
			sum += p
			based = based || k <= 2
		}
	}
	if !based {
		return 0
	}
	return sum
}
