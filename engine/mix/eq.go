package mix

import (
	"math"

	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
)

// Band is one band of an equaliser.
type Band struct {
	Hz     float64 // 10 up to 0.45 of the sample rate; 0 is the band's usual place
	GainDB float64 // -24 to 24; 0 is off
	Q      float64 // 0.1 to 30; 0 is 0.71 for a shelf and 1 for a bell
}

// EQ is four bands: shelf, bell, bell, shelf, by the filters of Robert
// Bristow-Johnson's «Audio EQ Cookbook». Its usual places are 120, 400, 2500
// and 8000 Hz (common practice for voices). A bell is exact at its frequency; a
// shelf has half its dB there. Cost: 1.5 ns a sample and band in use.
type EQ struct{ Low, LowMid, HighMid, High Band }

// bandKinds are the bands in order.
var bandKinds = [4]struct {
	name   string
	hz, q  float64
	design func(hz, q, gainDB, rate float64) (dsp.Coefficients, error)
}{
	{"low", 120, math.Sqrt2 / 2, dsp.LowShelf}, {"low-mid", 400, 1, dsp.Peaking}, {"high-mid", 2500, 1, dsp.Peaking}, {"high", 8000, math.Sqrt2 / 2, dsp.HighShelf},
}

func (e EQ) bands() [4]Band { return [4]Band{e.Low, e.LowMid, e.HighMid, e.High} }

func (e EQ) validate(rate int) error {
	for i, b := range e.bands() {
		k := bandKinds[i]
		name := "eq-" + k.name
		if b.GainDB == 0 && b != (Band{}) {
			return fault.New(fault.Usage, "%s: its db is missing, so it would do nothing", name)
		}
		if err := within(name, bound{"hz", orDefault(b.Hz, k.hz), 10, 0.45 * float64(rate)}, bound{"db", b.GainDB, -24, 24}, bound{"q", orDefault(b.Q, k.q), 0.1, 30}); err != nil {
			return err
		}
	}
	return nil
}

// Processor makes one; the zero value changes nothing.
func (e EQ) Processor(sampleRate int) (Processor, error) { return newFilters(0, e, sampleRate) }

// HighPass takes away what lies below a frequency: second-order Butterworth, -3
// dB there and 12 dB an octave below.
type HighPass struct {
	Hz float64 // 10 up to 0.45 of the sample rate; 0 is off
}

func (h HighPass) validate(rate int) error {
	if h.Hz == 0 {
		return nil
	}
	return within("high-pass", bound{"hz", h.Hz, 10, 0.45 * float64(rate)})
}

// Processor makes one; the zero value changes nothing.
func (h HighPass) Processor(sampleRate int) (Processor, error) {
	return newFilters(h.Hz, EQ{}, sampleRate)
}

// filters are a high-pass and an equaliser in one run, a cascade a channel.
type filters struct{ channels [2]dsp.Cascade }

func (f *filters) Process(left, right []float64) {
	f.channels[0].Process(left)
	if right != nil {
		f.channels[1].Process(right)
	}
}

func newFilters(highPassHz float64, e EQ, rate int) (Processor, error) {
	if err := (HighPass{highPassHz}).validate(rate); err != nil {
		return nil, err
	}
	if err := e.validate(rate); err != nil {
		return nil, err
	}
	var all []dsp.Coefficients
	if highPassHz > 0 {
		c, err := dsp.ButterworthHighpass(2, highPassHz, float64(rate))
		if err != nil {
			return nil, err
		}
		all = c
	}
	for i, b := range e.bands() {
		if b.GainDB == 0 {
			continue
		}
		k := bandKinds[i]
		c, err := k.design(orDefault(b.Hz, k.hz), orDefault(b.Q, k.q), b.GainDB, float64(rate))
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	if len(all) == 0 {
		return through{}, nil
	}
	return &filters{[2]dsp.Cascade{dsp.NewCascade(all...), dsp.NewCascade(all...)}}, nil
}
