package take

import (
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/engine/mix/mixtest"
	"cuechoir/internal/fault"
	_ "cuechoir/internal/fixedseed"

	"pgregory.net/rapid"
)

// held is a sound in memory.
type held struct {
	x  []float32
	at int
}

func (h *held) Read(dst []float32) (int, error) {
	n := copy(dst, h.x[h.at:])
	h.at += n
	if n < len(dst) {
		return n, io.EOF
	}
	return n, nil
}

func (h *held) SeekSample(n int64) error { h.at = int(n); return nil }

func voiceOf(id string, start int64, x []float32) Voice {
	return Voice{ID: id, Start: start, Frames: int64(len(x)), Sound: &held{x: x}}
}

// counted holds its own timeline samples as values, so that a place can be read
// from a value: exact up to 2^24.
func counted(id string, start, n int64, sign float32) Voice {
	x := make([]float32, n)
	for i := range x {
		x[i] = sign * float32(start+int64(i)+1000)
	}
	return voiceOf(id, start, x)
}

func noise(seed uint64, n int) []float32 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(r.NormFloat64() * 0.1)
	}
	return x
}

func compOf(t testing.TB, l Layout) (*Comp, []float32) {
	t.Helper()
	c, err := NewComp(l)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, c.Frames())
	if n, err := c.Read(x); n != len(x) || err != nil && err != io.EOF {
		t.Fatalf("%d of %d samples, %v", n, len(x), err)
	}
	return c, x
}

// Without patches a comp is its take, bit for bit.
func TestCompOfOneTake(t *testing.T) {
	x := noise(1, 10_000)
	c, got := compOf(t, Layout{Voices: []Voice{voiceOf("001", -700, x)}})
	if c.Start() != -700 || len(got) != len(x) {
		t.Fatalf("from %d for %d samples", c.Start(), len(got))
	}
	for i := range x {
		if got[i] != x[i] {
			t.Fatalf("sample %d is %v, want %v", i, got[i], x[i])
		}
	}
}

// Each sample outside the crossfades is the one of the take that is asked for,
// at its very place; the fades lie where they are said to.
func TestCompPlaces(t *testing.T) {
	l := Layout{Voices: []Voice{counted("001", 0, 20_000, 1), counted("002", 3_000, 10_000, -1)},
		Patches: []Patch{{1, 5_000, 8_000, 200, 400}}}
	c, x := compOf(t, l)
	for i, v := range x {
		at := int64(i)
		switch own := float32(at + 1000); {
		case at < 4_900 || at >= 8_200:
			if v != own || c.TakeAt(at) != "001" {
				t.Fatalf("sample %d is %v of %s, want %v of 001", at, v, c.TakeAt(at), own)
			}
		case at >= 5_100 && at < 7_800:
			if v != -own || c.TakeAt(at) != "002" {
				t.Fatalf("sample %d is %v of %s, want %v of 002", at, v, c.TakeAt(at), -own)
			}
		case v == own || v == -own:
			t.Fatalf("sample %d is not faded", at)
		}
	}
	if a, b := c.TakeAt(4_999), c.TakeAt(5_000); a != "001" || b != "002" {
		t.Errorf("the middle of the fade lies between %s and %s", a, b)
	}
}

// The samples do not depend on how a comp is read, and a seek lands where it says.
func TestCompSourceContract(t *testing.T) {
	open := func() (*Comp, error) {
		return NewComp(Layout{Voices: []Voice{voiceOf("001", 0, noise(2, 9_000)), voiceOf("002", 500, noise(3, 4_000)), voiceOf("003", 6_000, noise(4, 5_000))},
			Patches: []Patch{{1, 1_000, 2_500, 300, 500}, {2, 7_000, 10_500, 960, 100}}})
	}
	whole := mixtest.CheckSource(t, func() (mix.Source, error) { return open() }, nil)
	if len(whole) != 10_500 {
		t.Fatalf("%d samples", len(whole))
	}
	for _, at := range []int64{0, 851, 1_000, 1_200, 6_999, 7_100, 10_499} {
		one := make([]float32, 1)
		c, err := open()
		if err == nil {
			err = c.SeekSample(at)
		}
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Read(one); err != nil || one[0] != whole[at] {
			t.Errorf("sample %d read alone is %v, want %v (%v)", at, one[0], whole[at], err)
		}
	}
}

// A crossfade of noises that have nothing in common keeps the power, within
// 0.2 dB over 400 fades; of one sound with itself it is that sound.
func TestCompPower(t *testing.T) {
	const fade, fades = 960, 400
	var power [8]float64
	for k := range uint64(fades) {
		a, b := noise(100+2*k, 3_000), noise(101+2*k, 3_000)
		_, x := compOf(t, Layout{Voices: []Voice{voiceOf("001", 0, a), voiceOf("002", 0, b)}, Patches: []Patch{{1, 1_500, 3_000, fade, 0}}})
		for i, v := range x[1_500-fade/2 : 1_500+fade/2] {
			power[i*len(power)/fade] += float64(v) * float64(v) / (0.01 * fade / float64(len(power)) * fades)
		}
	}
	for i, p := range power {
		if db := 10 * math.Log10(p); math.Abs(db) > 0.2 {
			t.Errorf("eighth %d of the fade is off by %+.2f dB", i+1, db)
		} else {
			t.Logf("eighth %d: %+.3f dB", i+1, db)
		}
	}
	a := noise(9, 3_000)
	_, x := compOf(t, Layout{Voices: []Voice{voiceOf("001", 0, a), voiceOf("002", 0, a)}, Patches: []Patch{{1, 1_500, 3_000, fade, 0}}})
	for i := range x {
		if d := math.Abs(float64(x[i] - a[i])); d > 1e-7 {
			t.Fatalf("the take mixed with itself differs by %g at %d", d, i)
		}
	}
}

// tone is a sine with its own phase.
func tone(n int, hz, phase float64) []float32 {
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(0.5 * math.Sin(2*math.Pi*hz*float64(i)/48_000+phase))
	}
	return x
}

func largestStep(x []float32) float64 {
	most := 0.0
	for i := 1; i < len(x); i++ {
		most = max(most, math.Abs(float64(x[i])-float64(x[i-1])))
	}
	return most
}

// Over any joint no step is larger than those that the takes hold: not where two
// takes in full voice meet, not where a take begins or ends inside a patch, not
// at silence. A hard cut of the same takes has steps ten times as large.
func TestCompDoesNotClick(t *testing.T) {
	a, b := tone(40_000, 220, math.Pi/2), tone(9_000, 330, -math.Pi/2)
	own := max(largestStep(a), largestStep(b))
	layouts := map[string][]Patch{
		"in both":           {{1, 22_000, 25_000, 960, 960}},
		"begins too late":   {{1, 17_000, 25_000, 960, 960}},
		"ends too early":    {{1, 22_000, 33_000, 960, 960}},
		"as long as it is":  {{1, 20_000, 29_000, 960, 960}},
		"beyond the layer":  {{1, 22_000, 29_000, 960, 960}, {2, 38_000, 44_000, 960, 960}},
		"patch after patch": {{1, 22_000, 25_000, 960, 960}, {2, 25_000, 26_000, 960, 960}},
		"very short":        {{1, 22_000, 22_150, 960, 960}},
	}
	for name, p := range layouts {
		_, x := compOf(t, Layout{Voices: []Voice{voiceOf("001", 0, a), voiceOf("002", 20_000, b), voiceOf("003", 24_000, tone(20_000, 200, 0))}, Patches: p})
		if got := largestStep(x); got > 1.5*own {
			t.Errorf("%s: a step of %.4f, the takes' largest is %.4f", name, got, own)
		}
		for i := range p {
			p[i].InFade, p[i].OutFade = 0, 0
		}
		_, x = compOf(t, Layout{Voices: []Voice{voiceOf("001", 0, a), voiceOf("002", 20_000, b), voiceOf("003", 24_000, tone(20_000, 200, 0))}, Patches: p})
		if hard := largestStep(x); hard < 5*own {
			t.Errorf("%s: a hard cut steps by %.4f: this test cannot fail", name, hard)
		}
	}
}

// A place where the asked take has no sound is silent and told.
func TestCompGaps(t *testing.T) {
	c, x := compOf(t, Layout{Voices: []Voice{counted("001", 0, 30_000, 1), counted("002", 10_000, 5_000, -1)}, Patches: []Patch{{1, 9_000, 16_000, 100, 100}}})
	want := []Range{{9_000, 10_000}, {15_000, 16_000}}
	if got := c.Gaps(); len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("gaps %v, want %v", got, want)
	}
	for _, at := range []int{9_000, 9_999, 15_000, 15_999} {
		if x[at] != 0 || c.TakeAt(int64(at)) != "" {
			t.Errorf("sample %d is %v of %q", at, x[at], c.TakeAt(int64(at)))
		}
	}
}

func TestCompRefuses(t *testing.T) {
	voices := []Voice{counted("001", 0, 1_000, 1), counted("002", 5_000, 1_000, 1)}
	for name, l := range map[string]Layout{
		"no takes":       {},
		"overlap":        {voices, []Patch{{1, 5_000, 5_500, 0, 0}, {1, 5_400, 5_600, 0, 0}}},
		"empty":          {voices, []Patch{{1, 5_000, 5_000, 0, 0}}},
		"no such voice":  {voices, []Patch{{2, 5_000, 5_500, 0, 0}}},
		"long fade":      {voices, []Patch{{1, 5_000, 5_500, MaxFade + 1, 0}}},
		"no sound there": {voices, []Patch{{1, 100, 900, 0, 0}}},
	} {
		if _, err := NewComp(l); fault.KindOf(err) != fault.Malformed {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A sound that is shorter than its description is an error, never silence.
func TestCompShortTake(t *testing.T) {
	v := counted("002", 0, 1_000, 1)
	v.Frames = 2_000
	c, err := NewComp(Layout{Voices: []Voice{v}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Read(make([]float32, 1_500)); fault.KindOf(err) != fault.Malformed {
		t.Errorf("%v", err)
	}
}

// Any comp covers what it says: runs follow each other without a hole, fades
// never meet, and the middle of each patch that has sound is its take.
func TestCompRunsProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var l Layout
		for i := range rapid.IntRange(1, 4).Draw(t, "voices") {
			start := int64(rapid.IntRange(-2_000, 8_000).Draw(t, "start"))
			l.Voices = append(l.Voices, counted(idOf(i+1), start, int64(rapid.IntRange(1, 9_000).Draw(t, "frames")), 1))
		}
		at := int64(-3_000)
		for range rapid.IntRange(0, 5).Draw(t, "patches") {
			in := at + int64(rapid.IntRange(0, 2_000).Draw(t, "gap"))
			at = in + int64(rapid.IntRange(1, 3_000).Draw(t, "length"))
			p := Patch{rapid.IntRange(0, len(l.Voices)-1).Draw(t, "voice"), in, at,
				int64(rapid.IntRange(0, 2_000).Draw(t, "in fade")), int64(rapid.IntRange(0, 2_000).Draw(t, "out fade"))}
			if v := l.Voices[p.Voice]; v.End() > p.In && v.Start < p.Out {
				l.Patches = append(l.Patches, p)
			}
		}
		c, err := NewComp(l)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range c.runs {
			if r.to <= r.from || i > 0 && r.from != c.runs[i-1].to {
				t.Fatalf("run %d of %+v", i, c.runs)
			}
			for _, v := range []int{r.in, r.out} {
				if v != none && (r.from < l.Voices[v].Start || r.to > l.Voices[v].End()) {
					t.Fatalf("run %+v asks voice %d for what it has not", r, v)
				}
			}
		}
		for _, p := range l.Patches {
			v := l.Voices[p.Voice]
			if lo, hi := max(p.In, v.Start), min(p.Out, v.End()); c.TakeAt(lo+(hi-lo)/2) != v.ID {
				t.Fatalf("the middle of %+v is of %q in %+v", p, c.TakeAt(lo+(hi-lo)/2), c.runs)
			}
		}
		if n, err := c.Read(make([]float32, c.Frames()+1)); int64(n) != c.Frames() || err != io.EOF {
			t.Fatalf("%d of %d samples, %v", n, c.Frames(), err)
		}
	})
}

// The quietest moment of both takes is found to the sample, with its centre in
// the middle of the dip; among equals, the nearest to the wish.
func TestQuietPlace(t *testing.T) {
	const at, length = 20_000, 960
	flat := func(dips ...int) []float32 {
		x := make([]float32, 40_000)
		for i := range x {
			x[i] = 0.25
		}
		for _, d := range dips {
			clear(x[d-length/2 : d+length/2])
		}
		return x
	}
	for _, c := range []struct {
		name   string
		a, b   []float32
		search int64
		want   int64
	}{
		{"dip of both", flat(22_345), flat(22_345), 5_760, 22_345},
		{"a dip of one counts less than one of both", flat(17_000, 22_000), flat(22_000), 5_760, 22_000},
		{"nearer dip of the first alone", flat(19_000, 22_000), flat(22_000), 5_760, 22_000},
		{"nearer dip of the second alone", flat(22_000), flat(19_000, 22_000), 5_760, 22_000},
		{"nearest of two", flat(18_000, 21_000), flat(18_000, 21_000), 5_760, 21_000},
		{"out of reach", flat(27_000), flat(27_000), 5_760, 20_000},
		{"silence everywhere", make([]float32, 40_000), make([]float32, 40_000), 5_760, 20_000},
	} {
		got, err := QuietPlace(voiceOf("001", 0, c.a), voiceOf("002", 0, c.b), at, c.search, length)
		if err != nil || got != c.want {
			t.Errorf("%s: %d, %v; want %d", c.name, got, err, c.want)
		}
	}
	// Takes that begin later or end earlier limit the search.
	if got, err := QuietPlace(voiceOf("001", 0, make([]float32, 20_100)), voiceOf("002", 19_000, make([]float32, 9_000)), 21_000, 5_760, length); err != nil || got != 20_100-length/2 {
		t.Errorf("near the end: %d, %v", got, err)
	}
	if got, err := QuietPlace(voiceOf("001", 0, make([]float32, 100)), voiceOf("002", 19_000, make([]float32, 9_000)), 20_000, 5_760, length); err != nil || got != 20_000 {
		t.Errorf("nothing in common: %d, %v", got, err)
	}
}

func BenchmarkComp(b *testing.B) {
	const n = 48_000 * 60
	l := Layout{Voices: []Voice{voiceOf("001", 0, noise(1, n)), voiceOf("002", 0, noise(2, n))}}
	for at := int64(0); at+48_000 <= n; at += 96_000 {
		l.Patches = append(l.Patches, Patch{1, at + 960, at + 48_000, 960, 960})
	}
	x := make([]float32, 4096)
	b.SetBytes(4 * n)
	for b.Loop() {
		c, err := NewComp(l)
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			_, err = c.Read(x)
		}
	}
}
