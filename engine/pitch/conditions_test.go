package pitch

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// condition is a sound whose pitch is known at every sample.
type condition struct {
	name string
	owed owed
	x    []float32
	f0   []float64 // Hz each truthStep samples, 0: unvoiced
}

// owed is what the tracker owes: shares of the voiced frames within so many
// cents at least, of the unvoiced ones called voiced and of octave errors at
// most.
type owed struct{ in50, in25, in10, falseVoice, octave float64 }

const (
	conditionRate = 48000
	truthStep     = conditionRate / 2000 // samples, half a millisecond
)

// at is the pitch at a sample; before and behind the sound is none.
func (c condition) at(sample int64) float64 {
	k := (sample + truthStep/2) / truthStep
	if sample < 0 || k >= int64(len(c.f0)) {
		return 0
	}
	return c.f0[k]
}

// conditions are made-up recordings: a good one, and what bedrooms, telephones,
// rooms and throats do to one. The vowels lie at -20 dBFS or a little over, so
// that a room of -55 dBFS is 35 dB below. With a name, that one alone.
func conditions(t testing.TB, name string) []condition {
	var list []condition
	sung := func(owed condition, v singer.Voice, notes []singer.Note, change func(x []float32) []float32) {
		if name != "" && name != owed.name {
			return
		}
		list = append(list, owed.sungBy(t, v, notes, change))
	}
	good := singer.Voice{Seed: 1, Breath: 0.02, JitterCents: 3, NoiseDB: -55}
	with := func(change func(v *singer.Voice)) singer.Voice {
		v := good
		change(&v)
		return v
	}
	all := compass(conditionRate, "", "", "t", "s", "k", "sh")
	half := all[:22]
	clicks := func(x []float32) []float32 { addClicks(x, conditionRate, -40, 0.5); return x }
	man, woman := within(half, 40, 60), within(half, 55, 79)
	sung(condition{name: "35 dB", owed: owed{0.9995, 0.999, 0.985, 0.02, 0}}, good, all, clicks)
	sung(condition{name: "15 dB", owed: owed{0.998, 0.993, 0.94, 0.02, 0}}, with(func(v *singer.Voice) { v.NoiseDB = -35 }), all, clicks)
	if name == "" || name == partialsName {
		list = append(list, partials())
	}
	sung(condition{name: "phone band", owed: owed{0.998, 0.993, 0.985, 0.02, 0}}, with(func(v *singer.Voice) { v.NoiseDB = -50 }), half,
		func(x []float32) []float32 { return phoneBand(t, x) })
	// What a room adds after a note is pitched: false voice says nothing.
	sung(condition{name: "room, RT60 0.5 s", owed: owed{0.997, 0.99, 0.92, 1, 0}}, good, half, func(x []float32) []float32 { return inRoom(t, x, 0.5, 6) })
	sung(condition{name: "hum 20 dB down", owed: owed{0.99, 0.99, 0.98, 0.02, 0}}, good, half, func(x []float32) []float32 { return addHum(x, -40) })
	sung(condition{name: "a layer 30 dB down", owed: owed{0.998, 0.993, 0.985, 0.02, 0.001}}, good, half, func(x []float32) []float32 { return addLayer(x, -30) })
	sung(condition{name: "creaky", owed: owed{0.995, 0.99, 0.98, 0.02, 0}}, with(func(v *singer.Voice) { v.Creak = 0.3 }), man, nil)
	sung(condition{name: "breathy", owed: owed{0.998, 0.993, 0.985, 0.02, 0}}, with(func(v *singer.Voice) { v.Breath = 0.2 }), half, nil)
	sung(condition{name: "falsetto", owed: owed{0.998, 0.993, 0.985, 0.02, 0}}, with(func(v *singer.Voice) { v.SoftDB, v.Breath = 9, 0.05 }), woman, nil)
	// Where a consonant opens into its vowel the formants carry partials along,
	// and the pitch jumps between syllables.
	sung(condition{name: "voice-over", owed: owed{0.97, 0.93, 0.87, 0.02, 0}}, with(func(v *singer.Voice) { v.JitterCents = 5 }), speech(20), nil)
	sung(condition{name: "drums", owed: owed{0, 0, 0, 0.005, 0}}, good, drums(), nil)
	return list
}

// sungBy fills a condition with sound and truth.
func (c condition) sungBy(t testing.TB, v singer.Voice, notes []singer.Note, change func(x []float32) []float32) condition {
	v.SampleRate = conditionRate
	if err := v.Check(notes); err != nil {
		t.Fatal(err)
	}
	last := notes[len(notes)-1]
	c.x = v.Sing(notes, 0, last.Start+last.Length+conditionRate/2)
	if change != nil {
		c.x = change(c.x)
	}
	c.f0 = make([]float64, len(c.x)/truthStep)
	for k := range c.f0 {
		c.f0[k] = v.F0(notes, int64(k)*truthStep)
	}
	return c
}

// within moves notes by octaves until they lie between two keys.
func within(notes []singer.Note, low, high float64) []singer.Note {
	var out []singer.Note
	for _, n := range notes {
		for n.Key < low {
			n.Key += 12
		}
		for n.Key > high {
			n.Key -= 12
		}
		out = append(out, n)
	}
	return out
}

// speech is a man's and then a woman's voice-over.
func speech(seconds int64) []singer.Note {
	half := seconds * conditionRate / 2
	return append(singer.Speech(5, 0, half, conditionRate, 45), singer.Speech(6, half, half, conditionRate, 57)...)
}

// drums are consonants alone, four a second.
func drums() []singer.Note {
	kinds := []string{"t", "k", "p", "s", "sh", "f", "h", "ts", "b"}
	var notes []singer.Note
	for i := range 40 {
		notes = append(notes, singer.Note{Start: int64(i+1) * conditionRate / 4, Length: conditionRate / 8, Consonant: kinds[i%len(kinds)]})
	}
	return notes
}

// phoneBand keeps 300 to 3400 Hz (ITU-T G.712): Butterworth, fourth order at
// either end.
func phoneBand(t testing.TB, x []float32) []float32 {
	low, err := dsp.ButterworthHighpass(4, 300, conditionRate)
	if err != nil {
		t.Fatal(err)
	}
	high, err := dsp.ButterworthLowpass(4, 3400, conditionRate)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range append(low, high...) {
		b := dsp.Biquad{Coefficients: c}
		b.Process(x)
	}
	return x
}

// inRoom adds a diffuse tail that falls by 60 dB in rt60 seconds and lies
// directDB under the direct sound by power.
func inRoom(t testing.TB, x []float32, rt60, directDB float64) []float32 {
	rng := rand.New(rand.NewPCG(6, 6))
	tail := make([]float64, int(rt60*conditionRate))
	const delay = conditionRate * 5 / 1000
	power := 0.0
	for i := delay; i < len(tail); i++ {
		tail[i] = rng.NormFloat64() * math.Pow(10, -3*float64(i)/float64(len(tail)))
		power += tail[i] * tail[i]
	}
	gain := math.Sqrt(math.Pow(10, -directDB/10) / power)
	for i := range tail {
		tail[i] *= gain
	}
	tail[0] = 1
	size := 2
	for size < len(x)+len(tail) {
		size *= 2
	}
	f, err := dsp.NewRealFFT(size)
	if err != nil {
		t.Fatal(err)
	}
	a, b := make([]complex128, f.Bins()), make([]complex128, f.Bins())
	y := make([]float64, size)
	copy(y, tail)
	f.Forward(b, y)
	clear(y)
	for i, v := range x {
		y[i] = float64(v)
	}
	f.Forward(a, y)
	for k := range a {
		a[k] *= b[k]
	}
	f.Inverse(y, a)
	for i := range x {
		x[i] = float32(y[i])
	}
	return x
}

// addHum adds 50 Hz and nine of its partials, each weaker, dbfs RMS in all.
func addHum(x []float32, dbfs float64) []float32 {
	power := 0.0
	for k := 1.0; k <= 10; k++ {
		power += 0.5 / (k * k)
	}
	gain := math.Pow(10, dbfs/20) / math.Sqrt(power)
	for i := range x {
		for k := 1.0; k <= 10; k++ {
			x[i] += float32(gain / k * math.Sin(2*math.Pi*50*k*float64(i)/conditionRate+k*k))
		}
	}
	return x
}

// addLayer lays another singer under x.
func addLayer(x []float32, db float64) []float32 {
	notes := compass(conditionRate, "", "m")
	for i := range notes {
		notes[i].Start += conditionRate / 3
		notes[i].Key = 88 + 36 - notes[i].Key
	}
	y := singer.Voice{Seed: 8, SampleRate: conditionRate, TuneCents: 20}.Sing(notes, 0, int64(len(x)))
	for i, v := range y {
		x[i] += v * float32(math.Pow(10, db/20))
	}
	return x
}
