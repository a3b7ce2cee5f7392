package mix_test

import (
	"context"
	"math"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/internal/fault"
)

// full is a desk on which everything is at work.
func full(t testing.TB) mix.Desk {
	strips := band()
	for i := range strips {
		s := &strips[i]
		s.Group = []string{"brass", "choir", ""}[i%3]
		s.Sends = []mix.Send{{To: mix.ToRoom, DB: -10}, {To: mix.ToEcho, DB: -15 - float64(i)}}[:i%3]
		if i%2 == 0 {
			s.Chain = chainOf(t, whole...)
		}
		if i%4 == 1 {
			s.Automation = mix.Automation{{At: -100, DB: 0}, {At: 5003, DB: -9}, {At: 9000, DB: mix.OffDB}, {At: 12000, DB: 3}}
		}
	}
	return mix.Desk{
		Strips: strips,
		Groups: []mix.Group{{Name: "choir", GainDB: -3, Chain: chainOf(t, "compressor threshold_db=-30 ratio=2", "eq-high db=2"), Automation: mix.Automation{{At: 3000, DB: 0}, {At: 8000, DB: -6}},
			Sends: []mix.Send{{To: mix.ToEcho, DB: -12}, {To: mix.ToRoom, DB: -9}}}},
		Room: mix.Room{Seconds: 0.4}, Echo: mix.Echo{Milliseconds: 30},
		Ride:   mix.Ride{Voice: "e", ThresholdDB: -30},
		Master: chainOf(t, "eq-low db=2", "compressor threshold_db=-12 ratio=1.5"),
	}
}

// The same bits for any blocks, cores and run.
func TestDeskIsTheSameForAnyBlocksAndCores(t *testing.T) {
	const length = 20011
	want := hash(renderDesk(t, full(t), mix.Options{Length: length, Cores: 1}))
	for _, cores := range []int{1, 2, 3, 16} {
		for _, block := range []int{1, 63, 479, 4096, 1 << 16} {
			if block == 1 && cores > 1 && short {
				continue
			}
			if got := hash(renderDesk(t, full(t), mix.Options{Length: length, Cores: cores, Block: block})); got != want {
				t.Errorf("%d cores, blocks of %d: other bits", cores, block)
			}
		}
	}
}

// What is watched of strips and groups, with what is in no group, sums to the
// mix before the master, room and echo; and watching changes nothing that is heard.
func TestWatchedStripsAndGroupsSumToTheMix(t *testing.T) {
	const length = 20000
	d := full(t)
	d.Master, d.Ride = mix.Chain{}, mix.Ride{}
	d.Groups[0].Sends = nil
	for i := range d.Strips {
		d.Strips[i].Sends = nil
	}
	loose := map[string]bool{}
	for _, s := range d.Strips {
		loose[s.Name] = s.Group == ""
	}
	strips, sum, seen := map[string]int64{}, make([]float64, 2*length), map[string]int64{}
	out := renderDesk(t, d, mix.Options{Length: length, Block: 777, Watch: func(w mix.Watched, at int64, left, right []float64) {
		if w.Group {
			seen[w.Name] += int64(len(left))
		} else {
			strips[w.Name] += int64(len(left))
		}
		if w.Group || loose[w.Name] {
			for i := range left {
				sum[2*(int(at)+i)] += left[i]
				sum[2*(int(at)+i)+1] += right[i]
			}
		}
	}})
	for i, v := range out {
		if math.Abs(float64(v)-sum[i]) > 1e-6 {
			t.Fatalf("sample %d: watched %g, mixed %g", i/2, sum[i], v)
		}
	}
	if seen["choir"] != length || seen["brass"] != length || len(strips) != len(d.Strips) {
		t.Errorf("groups %v, strips %v", seen, strips)
	}
	d = full(t)
	d.Master, d.Ride = mix.Chain{}, mix.Ride{}
	d.Groups[0].Sends = nil
	for i := range d.Strips {
		d.Strips[i].Sends = nil
	}
	for i, v := range renderDesk(t, d, mix.Options{Length: length}) {
		if math.Abs(float64(v-out[i])) > 1e-6 {
			t.Fatalf("sample %d: %g unwatched, %g watched", i/2, v, out[i])
		}
	}
}

// What groups are worth by themselves sums to the mix before the master, with
// room, echo, ride and all.
func TestSharesOfGroupsSumToTheMix(t *testing.T) {
	const length = 30000
	d := full(t)
	d.Master = mix.Chain{}
	sum := renderDesk(t, d, mix.Options{Length: length})
	loudest := 0.0
	for _, v := range sum {
		loudest = max(loudest, math.Abs(float64(v)))
	}
	for _, group := range []string{"brass", "choir", ""} {
		d := full(t)
		share := renderDesk(t, d, mix.Options{Length: length, Only: &group})
		for i, v := range share {
			sum[i] -= v
		}
	}
	worst := 0.0
	for _, v := range sum {
		worst = max(worst, math.Abs(float64(v)))
	}
	t.Logf("mix %.1f dBFS, less its shares %.1f dBFS", 20*math.Log10(loudest), 20*math.Log10(worst))
	if 20*math.Log10(worst) > -120 || loudest < 0.1 {
		t.Errorf("the shares miss the mix by %.1f dBFS", 20*math.Log10(worst))
	}
}

// ones is a layer that is 1 all the way, hard left.
func ones(n int) mix.Strip {
	x := make([]float32, n)
	for i := range x {
		x[i] = 1
	}
	return mix.Strip{Name: "ones", Source: mix.FromSlice(x), Pan: -1}
}

// Automation by its formula at each sample: dB in a straight line, exact on
// knots; and no step is larger than the line's own.
func TestAutomationIsExactToTheSample(t *testing.T) {
	const n = 4000
	knots := mix.Automation{{At: -37, DB: -20}, {At: 501, DB: 0}, {At: 502, DB: -6}, {At: 1999, DB: 6}, {At: 2500, DB: mix.OffDB}, {At: 2600, DB: mix.OffDB}, {At: 3001, DB: 0}}
	want := func(t int64) float64 {
		for i := len(knots) - 1; i >= 0; i-- {
			k := knots[i]
			if t < k.At {
				continue
			}
			db := k.DB
			if i+1 < len(knots) && t > k.At {
				m := knots[i+1]
				db += (m.DB - k.DB) * float64(t-k.At) / float64(m.At-k.At)
			}
			if db <= mix.OffDB {
				return 0
			}
			return math.Pow(10, db/20)
		}
		return math.Pow(10, knots[0].DB/20)
	}
	for _, start := range []int64{0, -100, -101} {
		if start == -101 { // before the first knot the fader is as on it
			knots = knots[3:]
		}
		s := ones(n + 200)
		s.Start, s.Automation, s.GainDB = start, knots, -1
		got := render(t, []mix.Strip{s}, mix.Options{Length: n, Block: 479})
		for i := range n {
			if w := want(int64(i)) * mix.Gain(-1); math.Abs(float64(got[2*i])-w) > 1e-7*max(w, 1e-3) {
				t.Fatalf("start %d, sample %d: gain %g, want %g", start, i, got[2*i], w)
			}
		}
	}
}

// A group's fader works on its strips, and on what they send.
func TestGroupFaderWorksOnSends(t *testing.T) {
	level := func(gain float64) float64 {
		s := ones(9600)
		s.Group, s.Pan, s.Sends = "g", 1, []mix.Send{{To: mix.ToEcho, DB: 0}}
		out := renderDesk(t, mix.Desk{Strips: []mix.Strip{s}, Groups: []mix.Group{{Name: "g", GainDB: gain}}, Echo: mix.Echo{Milliseconds: 100, FeedbackDB: -60}}, mix.Options{Length: 9600})
		return float64(out[2*9000]) // left: the echo alone
	}
	if a, b := level(0), level(-6); math.Abs(a-1) > 0.01 || math.Abs(b/a-mix.Gain(-6)) > 1e-6 {
		t.Errorf("the echo is %g with the fader at 0, %g at -6", a, b)
	}
}

// rideDesk is music of 1 beside a voice that speaks from 1 s to 2 s.
// A group's send is what its layers would send from the middle, behind the
// group's processors, its fader that moves, and the ride.
func TestGroupsSend(t *testing.T) {
	const length = 24000
	desk := func(chain mix.Chain, gain float64, own, group []mix.Send) []float32 {
		strips := band()[:3]
		for i := range strips {
			strips[i].Pan, strips[i].Group, strips[i].Sends = 0, "brass", own
		}
		strips[2].Group, strips[2].Sends = "", nil
		return renderDesk(t, mix.Desk{
			Strips: strips, Room: mix.Room{Seconds: 0.4}, Echo: mix.Echo{Milliseconds: 30},
			Ride:   mix.Ride{Voice: strips[2].Name, ThresholdDB: -30},
			Groups: []mix.Group{{Name: "brass", Chain: chain, GainDB: gain, Sends: group, Automation: mix.Automation{{At: 4000, DB: 0}, {At: 9000, DB: -20}}}},
		}, mix.Options{Length: length, Block: 1000})
	}
	sends := []mix.Send{{To: mix.ToRoom, DB: -3}, {To: mix.ToEcho, DB: -5}}
	want := desk(mix.Chain{}, -6, sends, nil)
	dry := desk(mix.Chain{}, -6, nil, nil)
	got := desk(chainOf(t, "trim db=-6"), 0, nil, sends)
	far, wet := 0.0, 0.0
	for i := range got {
		far = max(far, math.Abs(float64(got[i]-want[i])))
		wet = max(wet, math.Abs(float64(want[i]-dry[i])))
	}
	if far > 1e-6 || wet < 0.01 {
		t.Errorf("off by %g; room and echo are %g", far, wet)
	}
}

func rideDesk(r mix.Ride) mix.Desk {
	voice := make([]float32, 48000)
	for i := range voice {
		voice[i] = float32(0.3 * math.Sin(float64(i)/20))
	}
	r.Voice = "speaker"
	return mix.Desk{Strips: []mix.Strip{ones(5 * 48000), {Name: "speaker", Source: mix.FromSlice(voice), Start: 48000, Pan: 1}}, Ride: r}
}

// The music goes down under the voice and comes back; the voice itself stays.
func TestRideByDetection(t *testing.T) {
	out := renderDesk(t, rideDesk(mix.Ride{DepthDB: 12, ReleaseMilliseconds: 250}), mix.Options{Length: 5 * 48000})
	plain := rideDesk(mix.Ride{})
	plain.Ride = mix.Ride{}
	alone := renderDesk(t, plain, mix.Options{Length: 5 * 48000})
	db := func(second float64) float64 { return 20 * math.Log10(float64(out[2*int(second*48000)])) }
	for second, want := range map[float64]float64{0.99: 0, 1.9: -12, 2.3: -12, 4.9: 0} {
		if got := db(second); math.Abs(got-want) > 0.05 {
			t.Errorf("at %g s the music is at %.2f dB, want %g", second, got, want)
		}
	}
	if got := db(1.06); math.Abs(got+12*(1-1/math.E)) > 1 {
		t.Errorf("60 ms into the voice the music is at %.2f dB, want 63 %% of -12", got)
	}
	for i := 1; i < len(out); i += 2 {
		if out[i] != alone[i] {
			t.Fatalf("the voice itself is changed at sample %d", i/2)
		}
	}
	// No steps: between two samples the gain moves by no more than its curve does.
	for i := 2; i < len(out); i += 2 {
		if step := math.Abs(float64(out[i] - out[i-2])); step > 1e-3 {
			t.Fatalf("the music steps by %g at sample %d", step, i/2)
		}
	}
}

// The ride hears the voice behind its fader, whether that stands or moves.
func TestRideHearsTheVoiceBehindItsFader(t *testing.T) {
	for _, moves := range []mix.Automation{nil, {{At: 0, DB: 0}}} {
		for gain, rides := range map[float64]bool{0: true, -50: false} {
			d := rideDesk(mix.Ride{DepthDB: 12}) // the voice is at -10 dBFS, the threshold at -40
			d.Strips[1].GainDB, d.Strips[1].Automation = gain, moves
			out := renderDesk(t, d, mix.Options{Length: 96000})
			if low := out[2*95000] < 0.9; low != rides {
				t.Errorf("fader at %g dB, moves %v: the music is at %g", gain, moves, out[2*95000])
			}
		}
	}
}

// What the music sends to echo and room goes down with it.
func TestRideLowersSends(t *testing.T) {
	echo := func(r mix.Ride) float64 {
		d := rideDesk(r)
		d.Ride = r
		d.Strips[0].Sends = []mix.Send{{To: mix.ToEcho, DB: 0}}
		d.Echo = mix.Echo{Milliseconds: 10, FeedbackDB: -60}
		out := renderDesk(t, d, mix.Options{Length: 96000})
		without := rideDesk(r)
		without.Ride = r
		return float64(out[2*95000] - renderDesk(t, without, mix.Options{Length: 96000})[2*95000])
	}
	if full, low := echo(mix.Ride{}), echo(mix.Ride{Voice: "speaker", DepthDB: 12}); math.Abs(low/full-mix.Gain(-12)) > 0.01 {
		t.Errorf("the echo is %g, under the voice %g, want 12 dB less", full, low)
	}
}

// By marks the music is down at a mark's first sample, before the first syllable.
func TestRideByMarks(t *testing.T) {
	r := mix.Ride{DepthDB: 12, AttackMilliseconds: 100, ReleaseMilliseconds: 200, Marks: []mix.Span{{From: 48000, To: 72000}, {From: 75000, To: 96000}}}
	out := renderDesk(t, rideDesk(r), mix.Options{Length: 5 * 48000})
	for at, want := range map[int]float64{43200: 0, 45600: -6, 48000: -12, 71999: -12, 73000: -12, 95999: -12, 95999 + 4800: -6, 95999 + 9600: 0} {
		if got := 20 * math.Log10(float64(out[2*at])); math.Abs(got-want) > 0.001 {
			t.Errorf("at sample %d the music is at %.3f dB, want %g", at, got, want)
		}
	}
}

// The voice's own group is not ridden; a voice that is not there rides nothing.
func TestRideSparesTheVoicesGroup(t *testing.T) {
	d := rideDesk(mix.Ride{DepthDB: 12})
	d.Strips[0].Group, d.Strips[1].Group = "talk", "talk"
	for i, v := range renderDesk(t, d, mix.Options{Length: 96000}) {
		if i%2 == 0 && v != 1 {
			t.Fatalf("sample %d of the voice's group is %g", i/2, v)
		}
	}
	d = rideDesk(mix.Ride{Marks: []mix.Span{{From: 0, To: 96000}}})
	d.Strips[1].Mute = true
	if out := renderDesk(t, d, mix.Options{Length: 96000}); out[2*90000] != 1 {
		t.Errorf("under a voice that is muted the music is at %g", out[2*90000])
	}
	d = rideDesk(mix.Ride{DepthDB: 12})
	d.Ride.Voice = "nobody"
	if out := renderDesk(t, d, mix.Options{Length: 96000}); out[2*90000] != 1 {
		t.Errorf("without the voice the music is at %g", out[2*90000])
	}
}

// A strip sounds on after its last sample as long as its filters ring.
func TestTailsSoundOn(t *testing.T) {
	s := mix.Strip{Source: mix.FromSlice([]float32{1}), Pan: -1, Chain: chainOf(t, "eq-low-mid hz=200 db=20 q=10")}
	out := render(t, []mix.Strip{s}, mix.Options{Length: 4800})
	if out[2*2400] == 0 {
		t.Error("the filter's tail was cut with its sound")
	}
}

func TestDeskRefusals(t *testing.T) {
	src := func() mix.Source { return mix.FromSlice(nil) }
	for name, d := range map[string]mix.Desk{
		"chain":       {Strips: []mix.Strip{{Source: src(), Chain: mix.Chain{TrimDB: 99}}}},
		"muted chain": {Strips: []mix.Strip{{Mute: true, Chain: mix.Chain{TrimDB: 99}}}},
		"send":        {Strips: []mix.Strip{{Source: src(), Sends: []mix.Send{{To: "attic"}}}}},
		"send twice":  {Strips: []mix.Strip{{Source: src(), Sends: []mix.Send{{To: mix.ToRoom}, {To: mix.ToRoom}}}}},
		"send NaN":    {Strips: []mix.Strip{{Source: src(), Sends: []mix.Send{{To: mix.ToRoom, DB: math.NaN()}}}}},
		"knots":       {Strips: []mix.Strip{{Source: src(), Automation: mix.Automation{{At: 5}, {At: 5}}}}},
		"group":       {Groups: []mix.Group{{Name: "g", GainDB: math.NaN()}}},
		"group twice": {Groups: []mix.Group{{Name: "g"}, {Name: "g"}}},
		"room":        {Room: mix.Room{Seconds: math.NaN()}},
		"echo":        {Echo: mix.Echo{FeedbackDB: 1}},
		"ride":        {Ride: mix.Ride{DepthDB: 3}},
		"ride marks":  {Ride: mix.Ride{Voice: "a", Marks: []mix.Span{{From: 5, To: 5}}}},
		"master":      {Master: mix.Chain{HighPassHz: -1}},
	} {
		if err := mix.Render(context.Background(), d, mix.Options{Length: 1}, func([]float32) error { return nil }, nil); fault.KindOf(err) != fault.Usage {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := mix.Render(context.Background(), mix.Desk{}, mix.Options{Length: 1, Cores: -1}, nil, nil); fault.KindOf(err) != fault.Usage {
		t.Errorf("cores: %v", err)
	}
}
