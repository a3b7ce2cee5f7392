package rehearse

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/engine/voice"
	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

func mustPlan(t *testing.T, o Options) *Plan {
	t.Helper()
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// By hand: 240 frames at 24000/1001 and 48 kHz are 2002 samples each. Half a
// second and three seconds are 83.9 frames: the start is frame 84, sample
// 168168. 240 frames last 10.01 s: ten seconds are marked, the fifth and the
// tenth longer. After the end, 3 s of count and 2 s of gap: 648648 + 240000
// samples are 443.9 frames, so the second start is frame 444.
func TestPlanByHand(t *testing.T) {
	p := mustPlan(t, Options{Rate: timecode.Rate23976, SampleRate: 48000, From: 100, To: 340, Loops: 2, Gap: timecode.Int(2)})
	want := []Pass{{84, 168168, 648648}, {444, 888888, 1369368}}
	if !slices.Equal(p.Passes, want) {
		t.Fatalf("passes %v, want %v", p.Passes, want)
	}
	if p.Frames != 696 || p.Length != 696*2002 { // 1369368 + 24000 samples are 695.98 frames
		t.Errorf("%d frames, %d samples", p.Frames, p.Length)
	}
	var marks []Mark
	for i, start := range []int64{168168, 888888} {
		for n := range int64(3) {
			marks = append(marks, Mark{start - (3-n)*48000, Count, int(n + 1), i})
		}
		marks = append(marks, Mark{start, Start, 0, i})
		for n := int64(1); n <= 10; n++ {
			kind := Second
			if n == 5 || n == 10 {
				kind = Fifth
			}
			marks = append(marks, Mark{start + n*48000, kind, int(n), i})
		}
	}
	if !slices.Equal(p.Marks, marks) {
		t.Errorf("marks %v,\nwant %v", p.Marks, marks)
	}
}

// At three quarters a second lasts 64000 samples, and so at every rate the
// places are those of the fraction, rounded once; the start is the first
// sample of a frame, reckoned here by big integers alone.
func TestPlacesAreExact(t *testing.T) {
	for _, rate := range []timecode.Rate{timecode.Rate23976, timecode.Rate2997DF, timecode.Rate25, {Num: 48000, Den: 1001}} {
		for _, sr := range []int64{44100, 48000, 96000} {
			for _, speed := range []timecode.Ratio{timecode.Int(1), timecode.R(3, 4), timecode.R(2, 3), timecode.R(3, 2)} {
				p := mustPlan(t, Options{Rate: rate, SampleRate: int(sr), From: 1001, To: 1237, Loops: 3, Gap: timecode.R(1, 3), Speed: speed})
				rounded := func(x *big.Rat) int64 {
					x = new(big.Rat).Add(x, big.NewRat(1, 2))
					return new(big.Int).Div(x.Num(), x.Denom()).Int64()
				}
				frameAt := func(k int64) int64 { return rounded(big.NewRat(k*sr*rate.Den, rate.Num)) }
				for i, pass := range p.Passes {
					if pass.Start != frameAt(pass.StartFrame) {
						t.Errorf("%s %d: start %d is not that of frame %d", rate, sr, pass.Start, pass.StartFrame)
					}
					span := big.NewRat((frameAt(1237)-frameAt(1001))*speed.Den, speed.Num)
					if pass.End-pass.Start != rounded(span) {
						t.Errorf("%s %d speed %s: %d samples", rate, sr, speed, pass.End-pass.Start)
					}
					if i > 0 {
						// Between: the count and the gap, and less than a frame and a sample more.
						wait := float64(pass.Start-p.Passes[i-1].End)/float64(sr) - 3/speed.Float() - 1.0/3
						if wait < -0.5/float64(sr) || wait > float64(rate.Den)/float64(rate.Num)+1/float64(sr) {
							t.Errorf("%s %d speed %s: %g s too many between", rate, sr, speed, wait)
						}
					}
				}
				for _, m := range p.Marks {
					n := int64(m.Number)
					if m.Kind == Count {
						n = -(4 - n)
					}
					d := rounded(big.NewRat(abs(n)*sr*speed.Den, speed.Num))
					if n < 0 {
						d = -d
					}
					if m.Sample-p.Passes[m.Pass].Start != d {
						t.Errorf("%s %d speed %s: %+v is %d from the start, want %d", rate, sr, speed, m, m.Sample-p.Passes[m.Pass].Start, d)
					}
				}
			}
		}
	}
}

func abs(n int64) int64 { return max(n, -n) }

// The picture's frames and the sound agree: at speed 1 each reference frame
// shows once, in order, from the start frame on.
func TestMoments(t *testing.T) {
	p := mustPlan(t, Options{Rate: timecode.Rate2997, SampleRate: 48000, From: 30, To: 97, Loops: 2})
	for _, pass := range p.Passes {
		for k := range int64(67) {
			m := p.momentAt(pass.StartFrame + k)
			// Tenths of seconds: 10*k*1001/30000, cut down.
			if m.frame != 30+k || m.start != (k == 0) || m.tenths != 10*k*1001/30000 {
				t.Fatalf("frame %d after the start is %+v", k, m)
			}
		}
		if m := p.momentAt(pass.StartFrame + 67); m.frame != -1 {
			t.Errorf("after the end: %+v", m)
		}
		// 29 frames before the start are under a second, 30 are over one.
		for back, count := range map[int64]int64{1: 3, 29: 3, 30: 2, 59: 2, 60: 1, 89: 1, 90: 0} {
			if m := p.momentAt(pass.StartFrame - back); m.count != count || m.frame != -1 {
				t.Errorf("%d frames before the start: %+v, want %d", back, m, count)
			}
		}
	}
	slow := mustPlan(t, Options{Rate: timecode.Rate24, SampleRate: 48000, From: 48, To: 96, Speed: timecode.R(3, 4)})
	for k := range int64(64) {
		if m := slow.momentAt(slow.Passes[0].StartFrame + k); m.frame != 48+3*k/4 {
			t.Errorf("frame %d at three quarters shows %d", k, m.frame)
		}
	}
	if m := slow.momentAt(slow.Passes[0].StartFrame + 64); m.frame != -1 {
		t.Errorf("after the slow end: %+v", m)
	}
}

func render(t *testing.T, p *Plan, span []float32, db float64) []float32 {
	t.Helper()
	s, err := NewSound(p, span, db)
	if err != nil {
		t.Fatal(err)
	}
	whole := make([]float32, p.Length)
	s.Fill(whole, 0)
	parts := make([]float32, p.Length)
	for a := 0; a < len(parts); a += 7919 {
		s.Fill(parts[a:min(a+7919, len(parts))], int64(a))
	}
	if !slices.Equal(whole, parts) {
		t.Error("in parts it sounds otherwise")
	}
	return whole
}

// Each beep begins on its sample, after silence, has its length and level, and
// rises over 5 ms: half its height at 2.5.
func TestBeeps(t *testing.T) {
	for _, sr := range []int{44100, 48000} {
		p := mustPlan(t, Options{Rate: timecode.Rate23976, SampleRate: sr, From: 0, To: 170, Loops: 2})
		x := render(t, p, nil, 0)
		for _, m := range p.Marks {
			at := int(m.Sample)
			n := int(math.Round(beeps[m.Kind].seconds * float64(sr)))
			const lsb = 1.0 / (1 << 23)
			if x[at-1] != 0 || math.Abs(float64(x[at])) < lsb || x[at+n] != 0 || x[at+n-1] == 0 {
				t.Errorf("%+v: %g, then %g; at its end %g, then %g", m, x[at-1], x[at], x[at+n-1], x[at+n])
			}
			if db := dsp.AmplitudeToDB(float64(dsp.Peak(x[at : at+n]))); math.Abs(db+18) > 0.05 {
				t.Errorf("%+v peaks at %.2f dBFS", m, db)
			}
			// No step: nothing moves faster than the tone itself at full height.
			for i := at; i <= at+n; i++ {
				if d := math.Abs(float64(x[i] - x[i-1])); d > dsp.DBToAmplitude(-18)*2*math.Pi*beeps[m.Kind].hz/float64(sr) {
					t.Errorf("%+v: a step of %g at %d", m, d, i-at)
					break
				}
			}
			if p := dsp.Peak(x[at : at+sr*20/10000]); float64(p) > 0.5*dsp.DBToAmplitude(-18) {
				t.Errorf("%+v is at %g after 2 ms", m, p)
			}
		}
		sounding := 0
		for _, v := range x {
			if v != 0 {
				sounding++
			}
		}
		most := 0
		for _, m := range p.Marks {
			most += int(math.Round(beeps[m.Kind].seconds * float64(sr)))
		}
		if sounding > most {
			t.Errorf("%d samples sound, the beeps have %d", sounding, most)
		}
	}
}

// The reference is heard at its level, from its start frame's sample, in each
// pass; at another speed it is the stretched span.
func TestReferenceIsInPlace(t *testing.T) {
	o := Options{Rate: timecode.Rate2997, SampleRate: 48000, From: 90, To: 300, Loops: 2, LevelDB: -60}
	span := singer.Voice{Seed: 2, SampleRate: 48000}.Sing(singer.Speech(2, 0, o.SpanSamples(), 48000, 45), 0, o.SpanSamples())
	for _, speed := range []timecode.Ratio{timecode.Int(1), timecode.R(3, 4)} {
		o.Speed = speed
		p := mustPlan(t, o)
		quiet := render(t, p, nil, 0)
		x := render(t, p, span, -12)
		want, err := voice.Stretch(span, 48000, speed)
		if err != nil {
			t.Fatal(err)
		}
		for _, pass := range p.Passes {
			for i := 240; i < len(want)-240; i++ {
				at := pass.Start + int64(i)
				if d := math.Abs(float64(x[at]-quiet[at]) - float64(want[i])*dsp.DBToAmplitude(-12)); d > 1e-6 {
					t.Fatalf("speed %s: sample %d of the span is off by %g", speed, i, d)
				}
			}
			if x[pass.Start-1] != quiet[pass.Start-1] || x[pass.End] != quiet[pass.End] {
				t.Errorf("speed %s: the reference is heard outside its span", speed)
			}
		}
	}
}

// A loud reference gives way to the beeps: full scale is never passed.
func TestNothingPassesFullScale(t *testing.T) {
	p := mustPlan(t, Options{Rate: timecode.Rate25, SampleRate: 48000, From: 0, To: 100, LevelDB: -6})
	span := make([]float32, p.SpanSamples())
	for i := range span {
		span[i] = 1
	}
	s, err := NewSound(p, span, 0)
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, p.Length)
	s.Fill(x, 0)
	// 1 - 10^(-6/20) is 0.4988: -6.04 dB.
	if peak := dsp.Peak(x); peak > 1 || peak < 0.99 || math.Abs(s.Lowered+6.04) > 0.01 {
		t.Errorf("peak %g, lowered %.2f dB", peak, s.Lowered)
	}
}

// "One, two, three, go": each stressed onset is on its mark.
func TestSpokenCount(t *testing.T) {
	for _, speed := range []timecode.Ratio{timecode.Int(1), timecode.Int(2)} {
		p := mustPlan(t, Options{Rate: timecode.Rate24, SampleRate: 48000, From: 0, To: 48, Loops: 2, Spoken: true, Speed: speed})
		s, err := NewSound(p, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		pace := min(1, 1.3/speed.Float())
		for _, m := range p.Marks {
			word, ok := singer.NumberWord(m.Number)
			if m.Kind == Start {
				word = "go"
			} else if m.Kind != Count || !ok {
				continue
			}
			said, err := singer.Say(word, 48000, pace)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.ContainsFunc(s.events, func(e event) bool {
				return e.at == m.Sample-int64(said.Stress) && len(e.shape) == len(said.Samples)
			}) {
				t.Errorf("%q is not on its mark", word)
			}
			if m.Sample-int64(said.Stress) < 0 {
				t.Errorf("%q begins before the file", word)
			}
		}
		for i := 1; i < len(s.events); i++ {
			if s.events[i-1].at+int64(len(s.events[i-1].shape)) > s.events[i].at {
				t.Errorf("speed %s: sound %d begins before the one before is over", speed, i)
			}
		}
	}
}

func TestRefusals(t *testing.T) {
	good := Options{Rate: timecode.Rate24, SampleRate: 48000, From: 0, To: 48}
	for name, change := range map[string]func(*Options){
		"no rate":          func(o *Options) { o.Rate = timecode.Rate{} },
		"no sample rate":   func(o *Options) { o.SampleRate = 0 },
		"empty":            func(o *Options) { o.To = 0 },
		"before 0":         func(o *Options) { o.From = -1 },
		"too long":         func(o *Options) { o.To = 24 * 601 },
		"loops":            func(o *Options) { o.Loops = 101 },
		"negative loops":   func(o *Options) { o.Loops = -1 },
		"gap":              func(o *Options) { o.Gap = timecode.Int(61) },
		"negative gap":     func(o *Options) { o.Gap = timecode.Int(-1) },
		"speed":            func(o *Options) { o.Speed = timecode.R(1, 3) },
		"loud":             func(o *Options) { o.LevelDB = 1 },
		"no level":         func(o *Options) { o.LevelDB = math.NaN() },
		"hours of repeats": func(o *Options) { o.To, o.Loops = 24*500, 100 },
	} {
		o := good
		change(&o)
		if _, err := New(o); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
	p := mustPlan(t, good)
	if _, err := NewSound(p, make([]float32, 5), -12); err == nil {
		t.Error("a span of another length was accepted")
	}
	if _, err := NewSound(p, make([]float32, p.SpanSamples()), 1); err == nil {
		t.Error("a reference above 0 dB was accepted")
	}
}
