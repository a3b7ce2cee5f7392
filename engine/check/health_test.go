package check

import (
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/tempo"
	"cuechoir/internal/dsp"
	"cuechoir/internal/fault"
	"cuechoir/internal/singer"
)

const healthRate = 48000

// healthTake is 16 s of a voice in phrases with pauses and consonants, room
// noise at -75 dBFS, over a click at -18 dBFS of 120 beats a minute with a
// count-in of four: what Listen gets of a clean take.
func healthTake(t testing.TB, seed uint64, low float64, gainDB float64) HealthInput {
	t.Helper()
	const n = 16 * healthRate
	v := singer.Voice{Seed: seed, SampleRate: healthRate, NoiseDB: -75}
	var notes []singer.Note
	for i := range 20 {
		if i%5 == 4 {
			continue // a breath
		}
		notes = append(notes, singer.Note{Start: int64(2*healthRate + i*33600), Length: 31000, Key: low + float64(i%5*2),
			Vowel: []string{"a", "o", "u"}[i%3], Consonant: []string{"p", "m", "", "t"}[i%4], LevelDB: gainDB, VibratoHz: 5, VibratoCents: 30})
	}
	var clicks []tempo.Click
	var beats []int64
	for at := int64(4800); at < n-healthRate/2; at += healthRate / 2 {
		clicks = append(clicks, tempo.Click{Sample: at, Accent: len(clicks)%4 == 0})
		beats = append(beats, at)
	}
	click, err := tempo.RenderClick(clicks, 0, n, healthRate, tempo.ClickOptions{LevelDB: -18})
	if err != nil {
		t.Fatal(err)
	}
	return HealthInput{Samples: v.Sing(notes, 0, n), SampleRate: healthRate, Click: click, Beats: beats}
}

func listened(t testing.TB, in HealthInput) Health {
	t.Helper()
	h, err := Listen(in)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func kindsOf(h Health) (kinds []HealthKind) {
	for _, l := range h.Lines {
		kinds = append(kinds, l.Kind)
	}
	return kinds
}

// A clean take, high or low, loud or soft, is told nothing.
func TestHealthyTake(t *testing.T) {
	seed := uint64(1)
	for _, low := range []float64{40, 45, 52, 60, 69} { // E2 to A4
		for _, gain := range []float64{3, 0, -10} {
			seed++
			if underRace && seed%4 != 0 {
				continue
			}
			h := listened(t, healthTake(t, seed, low, gain))
			if len(h.Lines) != 0 || !h.Paused {
				t.Errorf("seed %d, from key %g at %+g dB: told %+v, paused %v", seed, low, gain, h.Lines, h.Paused)
			}
			if math.Abs(h.NoiseDB+75) > 1 {
				t.Errorf("seed %d: noise %.2f dBFS, want -75", seed, h.NoiseDB)
			}
		}
	}
}

// Each fault of a known level is told alone, and its level is read within 1 dB.
func TestHealthKnownLevels(t *testing.T) {
	for _, c := range []struct {
		name  string
		kind  HealthKind
		want  float64
		spoil func(*HealthInput)
		read  func(Health) float64
	}{
		{"hum of 50 Hz", HealthHum, -45, func(in *HealthInput) { addHum(in.Samples, 50.1, -45) }, func(h Health) float64 { return h.HumDB }},
		{"hum of 60 Hz", HealthHum, -52, func(in *HealthInput) { addHum(in.Samples, 59.95, -52) }, func(h Health) float64 { return h.HumDB }},
		{"noise", HealthNoise, -45, func(in *HealthInput) { addNoise(in.Samples, -45, rand.New(rand.NewPCG(3, 1))) }, func(h Health) float64 { return h.NoiseDB }},
		{"bleed", HealthBleed, -18 - 30, func(in *HealthInput) { addBleed(in, -30, 96) }, func(h Health) float64 { return h.BleedDB }},
		{"bleed upside down, round trip unknown", HealthBleed, -18 - 36, func(in *HealthInput) { addBleed(in, -36, -7000) }, func(h Health) float64 { return h.BleedDB }},
		{"pops", HealthPops, -15, func(in *HealthInput) { addPops(in.Samples, -15, 3) }, func(h Health) float64 { return h.PopDB }},
		{"quiet", HealthQuiet, -56, func(in *HealthInput) { toLevel(in, -56) }, func(h Health) float64 { return h.VoiceDB }},
		{"clipped", HealthClipped, -6, func(in *HealthInput) { clipAt(in.Samples, -6) }, func(h Health) float64 { return h.ClipDB }},
	} {
		in := healthTake(t, 99, 45, 0)
		c.spoil(&in)
		h := listened(t, in)
		if kinds := kindsOf(h); len(kinds) != 1 || kinds[0] != c.kind {
			t.Errorf("%s: told %+v, want %s alone", c.name, h.Lines, c.kind)
			continue
		}
		got := c.read(h)
		t.Logf("%s: %.2f dB read, %.2f there: %s", c.name, got, c.want, h.Lines[0].Words)
		if math.Abs(got-c.want) > 1 {
			t.Errorf("%s: %.2f dB, want %.2f within 1", c.name, got, c.want)
		}
	}
}

// Figures beside the levels: which mains, how many pops and where, how late the
// click comes; and several faults at once, the worst first.
func TestHealthFigures(t *testing.T) {
	in := healthTake(t, 5, 45, 0)
	addHum(in.Samples, 60, -40)
	addBleed(&in, -25, 480)
	addPops(in.Samples, -12, 3)
	h := listened(t, in)
	if h.HumHz != 60 || h.BleedLag != 480 || math.Abs(h.BleedPath+25) > 1 || h.Pops != 3 {
		t.Errorf("%+v", h)
	}
	want := []HealthKind{HealthBleed, HealthHum, HealthPops}
	if kinds := kindsOf(h); len(kinds) != 3 || kinds[0] != want[0] || kinds[1] != want[1] || kinds[2] != want[2] {
		t.Errorf("told %v, want %v", kinds, want)
	}
	if at := h.Lines[2].Sample; at < 4*healthRate-4800 || at > 12*healthRate+4800 {
		t.Errorf("the loudest pop at %d", at)
	}
}

// Silence, a take without a pause, none at all and nonsense are told as what
// they are, and nothing panics.
func TestHealthEdges(t *testing.T) {
	if h := listened(t, HealthInput{SampleRate: healthRate, Samples: make([]float32, 3*healthRate)}); len(h.Lines) != 1 || h.Lines[0].Kind != HealthQuiet || h.Paused {
		t.Errorf("silence: %+v", h)
	}
	if h := listened(t, HealthInput{SampleRate: healthRate}); len(h.Lines) != 1 || h.Lines[0].Kind != HealthQuiet {
		t.Errorf("nothing: %+v", h)
	}
	v := singer.Voice{Seed: 3, SampleRate: healthRate, NoiseDB: -70}
	drone := v.Sing([]singer.Note{{Length: 8 * healthRate, Key: 43, Vowel: "o"}}, 0, 8*healthRate) // G2, 98 Hz: no hum
	if h := listened(t, HealthInput{SampleRate: healthRate, Samples: drone}); h.Paused || len(h.Lines) != 0 {
		t.Errorf("a drone: %+v", h)
	}
	nan := make([]float32, healthRate)
	for i := range nan {
		nan[i] = float32(math.NaN())
	}
	listened(t, HealthInput{SampleRate: healthRate, Samples: nan, Click: nan, Beats: []int64{-5, 0, 1000, 2000, 1 << 40}})
	if _, err := Listen(HealthInput{SampleRate: 0}); fault.KindOf(err) != fault.Usage {
		t.Errorf("no sample rate: %v", err)
	}
}

// addHum adds three tones of the mains, level dB RMS in all.
func addHum(x []float32, hz, level float64) {
	a := dsp.DBToAmplitude(level) * math.Sqrt2 / math.Sqrt(1+0.25+0.0625)
	for i := range x {
		ph := 2 * math.Pi * hz * float64(i) / healthRate
		x[i] += float32(a * (math.Sin(ph) + 0.5*math.Sin(2*ph+1) + 0.25*math.Sin(3*ph+2)))
	}
}

// addBleed adds the click, late by lag samples; a negative lag turns it upside
// down as well.
func addBleed(in *HealthInput, path float64, lag int) {
	g := float32(dsp.DBToAmplitude(path))
	if lag < 0 {
		lag, g = -lag, -g
	}
	for i := lag; i < len(in.Samples); i++ {
		in.Samples[i] += g * in.Click[i-lag]
	}
}

// addPops adds bursts of 25 Hz, 25 ms wide, that peak at level.
func addPops(x []float32, level float64, count int) {
	for k := range count {
		at, a := (4+4*k)*healthRate, dsp.DBToAmplitude(level)
		for i := -4800; i <= 4800; i++ {
			s := float64(i) / healthRate
			x[at+i] += float32(a * math.Exp(-s*s/(2*0.025*0.025)) * math.Cos(2*math.Pi*25*s))
		}
	}
}

// toLevel brings the loudest tenth of the take to a level.
func toLevel(in *HealthInput, level float64) {
	g := float32(dsp.DBToAmplitude(level - levelDB(math.Sqrt(loudest(blockLevels(in.Samples, healthRate))))))
	for i := range in.Samples {
		in.Samples[i] *= g
	}
}

func clipAt(x []float32, level float64) {
	most := float32(dsp.DBToAmplitude(level))
	for i := range x {
		x[i] = min(max(2.5*x[i], -most), most)
	}
}

func BenchmarkListen(b *testing.B) {
	in := healthTake(b, 1, 45, 0)
	for b.Loop() {
		listened(b, in)
	}
	b.ReportMetric(16*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
}
