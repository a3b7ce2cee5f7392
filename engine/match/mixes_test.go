package match

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/engine/timecode"
	example "cuechoir/projects-example"
	"cuechoir/projects-example/sound"
)

// sungLayer is one layer of the example as somebody sang it.
type sungLayer struct {
	group string
	x     []float32
}

// sing is the example's score sung by one of several singers, each in a voice and
// with a time of its own.
func sing(singer int) (out []sungLayer) {
	n := example.Rate().SampleOf(example.Frames, rate)
	place := func(q timecode.Ratio) int64 { return example.SampleAt(q, rate) }
	for _, l := range example.Layers() {
		l.Name += strings.Repeat("'", singer) // another voice: it is drawn by the name
		out = append(out, sungLayer{l.Group, example.Perform(l, place, example.Rate(), rate, 0, n)})
	}
	return out
}

// shotsOf are the example's shots of a second and more.
func shotsOf() (out []Span) {
	from := int64(0)
	for _, c := range example.Truth() {
		if c.Frame-from >= 24 {
			out = append(out, Span{example.Rate().SampleOf(from, rate), example.Rate().SampleOf(c.Frame, rate)})
		}
		from = c.Frame
	}
	return append(out, Span{example.Rate().SampleOf(from, rate), example.Rate().SampleOf(example.Frames, rate)})
}

// mixed is a mix of the layers as somebody might make it: faders within 2 dB,
// an equaliser within 3, a compressor, a room, a level of its own. Seed 0 is the
// plain sum. A group named in without is muted over the span.
func mixed(t testing.TB, layers []sungLayer, seed uint64, without string, over Span) []float32 {
	r := rand.New(rand.NewPCG(seed, 5))
	sum := make([]float64, len(layers[0].x))
	for _, l := range layers {
		g := 0.15
		if seed > 0 {
			g *= math.Pow(10, (4*r.Float64()-2)/20)
		}
		for i, v := range l.x {
			if l.group == without && int64(i) >= over.From && int64(i) < over.To {
				continue
			}
			sum[i] += g * float64(v)
		}
	}
	if seed > 0 {
		db := func() float64 { return 6*r.Float64() - 3 }
		c := mix.Chain{TrimDB: 12*r.Float64() - 6, HighPassHz: 40 + 60*r.Float64(),
			EQ:         mix.EQ{Low: mix.Band{GainDB: db()}, LowMid: mix.Band{Hz: 500, GainDB: db()}, HighMid: mix.Band{Hz: 2500, GainDB: db()}, High: mix.Band{Hz: 5000, GainDB: db()}},
			Compressor: mix.Compressor{ThresholdDB: -24 + 6*r.Float64(), Ratio: 1.5 + 1.5*r.Float64()}}
		p, err := c.Processor(rate)
		if err != nil {
			t.Fatal(err)
		}
		p.Process(sum, nil)
		room, err := mix.Room{Seconds: 1 + 1.5*r.Float64()}.Processor(rate)
		if err != nil {
			t.Fatal(err)
		}
		wet, right := slices.Clone(sum), slices.Clone(sum)
		room.Process(wet, right)
		send := math.Pow(10, (-20+8*r.Float64())/20)
		for i := range sum {
			sum[i] += send * wet[i]
		}
	}
	out := make([]float32, len(sum))
	for i, v := range sum {
		out[i] = float32(v)
	}
	return out
}

// spoilt lays a fault over one shot of a mix.
type spoilt struct {
	name string
	do   func(x []float32)      // over the shot's samples
	told func(f []Finding) bool // it is found
}

func gainOf(db float64) spoilt {
	kind := "soft"
	if db > 0 {
		kind = "loud"
	}
	return spoilt{fmt.Sprintf("%+.0f dB", db), func(x []float32) {
		for i := range x {
			x[i] *= float32(math.Pow(10, db/20))
		}
	}, has(kind, "")}
}

func filtered(name string, hz float64, high bool, band string) spoilt {
	return spoilt{name, func(x []float32) {
		for range 2 {
			s := butterworth(hz, rate, high)
			for i := range x {
				x[i] = float32(s.next(float64(x[i])))
			}
		}
	}, has("thin", band)}
}

func lateBy(ms int) spoilt {
	kind := "late"
	if ms < 0 {
		kind = "early"
	}
	return spoilt{fmt.Sprintf("%+d ms", ms), func(x []float32) { copy(x, shifted(x, ms*rate/1000)) }, func(f []Finding) bool {
		for _, f := range f {
			if f.Kind == kind && math.Abs(f.Value-float64(ms)) < 20 {
				return true
			}
		}
		return false
	}}
}

func has(kind, band string) func([]Finding) bool {
	return func(f []Finding) bool {
		return slices.ContainsFunc(f, func(f Finding) bool { return f.Kind == kind && (band == "" || f.Band == band) })
	}
}

// faults are what is laid on shots.
func faults() []spoilt {
	out := []spoilt{filtered("without its lows", 400, true, "low"), filtered("dull", 700, false, "high")}
	for _, db := range []float64{-6, 6, -9} {
		out = append(out, gainOf(db))
	}
	for _, ms := range []int{-400, 400, -200, 200, -60, 60, -100, 100, 150, 300, -40} {
		out = append(out, lateBy(ms))
	}
	return out
}

// tally counts over several mixes: shots that are accused though nothing is
// wrong, and of each fault how often it is found.
type tally struct {
	shots, falsely int
	found, laid    map[string]int
}

func (y *tally) count(t *testing.T, reference, x []float32) {
	t.Helper()
	compare := func(x []float32) []Shot {
		r, err := Compare(reference, x, rate, shotsOf())
		if err != nil {
			t.Fatal(err)
		}
		return r.Shots
	}
	spans := shotsOf()
	for i, s := range compare(x) {
		y.shots++
		if len(s.Findings) > 0 {
			y.falsely++
			t.Logf("unspoilt, shot %d: %s", i, s.Words())
		}
	}
	for i, f := range faults() {
		worse := slices.Clone(x)
		for shot := 1 + i%4; shot < len(spans)-1; shot += 4 {
			f.do(worse[spans[shot].From:spans[shot].To])
		}
		shots := compare(worse)
		for shot := 1 + i%4; shot < len(spans)-1; shot += 4 {
			y.laid[f.name]++
			if f.told(shots[shot].Findings) {
				y.found[f.name]++
			}
		}
	}
}

// Bounces of other faders, equalisers, compressors and rooms are not accused;
// faults in every fourth shot of them are found. With CUECHOIR_MATCH_TABLE more
// mixes, and other singers beside the instruments that they remake.
func TestMixes(t *testing.T) {
	if underRace {
		t.Skip("the race detector makes this ten times slower, and there is one goroutine")
	}
	y := tally{found: map[string]int{}, laid: map[string]int{}}
	layers := sing(0)
	plain := mixed(t, layers, 0, "", Span{})
	mixes := uint64(1)
	table := os.Getenv("CUECHOIR_MATCH_TABLE") != ""
	if table {
		mixes = 6
	}
	for seed := range mixes {
		y.count(t, plain, mixed(t, layers, seed+2, "", Span{}))
	}
	y.tell(t, "mixes of the same takes")
	if y.falsely*50 > y.shots {
		t.Errorf("%d of %d unspoilt shots are accused", y.falsely, y.shots)
	}
	for name, laid := range y.laid {
		if found := y.found[name]; found*10 < laid*7 {
			t.Errorf("%s: found in %d of %d shots", name, found, laid)
		}
	}
	if !table {
		return
	}
	y = tally{found: map[string]int{}, laid: map[string]int{}}
	for singer := range 3 {
		y.count(t, sound.Render(rate), mixed(t, sing(singer), uint64(singer)+1, "", Span{}))
	}
	y.tell(t, "voices beside the instruments")
}

func (y tally) tell(t *testing.T, of string) {
	t.Logf("%s: %d of %d shots told of though nothing is laid on them", of, y.falsely, y.shots)
	for _, f := range faults() {
		t.Logf("%s: %d of %d", f.name, y.found[f.name], y.laid[f.name])
	}
}

// What carries a shot's level or one of its bands is missed when it is muted
// there, and no other shot is accused for it; a choir under brass is not heard
// to go.
func TestMutedGroups(t *testing.T) {
	if underRace {
		t.Skip("the race detector makes this ten times slower, and there is one goroutine")
	}
	layers, spans := sing(0), shotsOf()
	plain := mixed(t, layers, 0, "", Span{})
	for _, c := range []struct {
		group string
		shot  int
		told  func([]Finding) bool
	}{{"brass", 3, has("soft", "")}, {"brass", 8, has("soft", "")}, {"strings", 3, has("thin", "low")}, {"strings", 8, has("thin", "low")}, {"drums", 12, has("thin", "top")}} {
		r, err := Compare(plain, mixed(t, layers, 0, c.group, spans[c.shot]), rate, spans)
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range r.Shots {
			if i != c.shot && len(s.Findings) > 0 {
				t.Errorf("%s muted in shot %d: shot %d %s", c.group, c.shot, i, s.Words())
			}
		}
		if !c.told(r.Shots[c.shot].Findings) {
			t.Errorf("%s muted in shot %d: %s", c.group, c.shot, r.Shots[c.shot].Words())
		}
	}
}

func shifted(x []float32, by int) []float32 {
	out := make([]float32, len(x))
	for i := range out {
		if k := i - by; k >= 0 && k < len(x) {
			out[i] = x[k]
		}
	}
	return out
}
