package voice

import (
	"math"
	"testing"

	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// levelAt is the level of x at a frequency, dB, by correlation under a Hann
// window (Goertzel's sum, plainly).
func levelAt(x []float32, hz float64, sr int) float64 {
	re, im := 0.0, 0.0
	for i, v := range x {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(x)))
		s, c := math.Sincos(2 * math.Pi * hz * float64(i) / float64(sr))
		re, im = re+w*float64(v)*c, im+w*float64(v)*s
	}
	return 20 * math.Log10(4*math.Hypot(re, im)/float64(len(x))+1e-12)
}

// gainAt is what a line does to a steady tone, dB.
func gainAt(t *testing.T, line string, hz float64) float64 {
	t.Helper()
	x := tone(hz, rate, rate)
	y := runLine(t, x, line)
	return levelAt(y[rate/2:rate], hz, rate) - levelAt(x[rate/2:], hz, rate)
}

// The Academy curve's points as dictionaries of the trade give them, within a
// decibel, and the two corners by arithmetic.
func TestAcademyCurve(t *testing.T) {
	for _, p := range []struct{ hz, db float64 }{{40, -7}, {100, 0}, {400, 0}, {1000, 0}, {1600, 0}, {5000, -10}, {8000, -18}} {
		got := gainAt(t, "academy", p.hz)
		t.Logf("%g Hz: %.2f dB (published %g)", p.hz, got, p.db)
		if math.Abs(got-p.db) > 1 {
			t.Errorf("%g Hz: %.2f dB, want %g", p.hz, got, p.db)
		}
	}
}

func TestFiltersOfAColour(t *testing.T) {
	for _, c := range []struct {
		line   string
		hz, db float64
	}{
		{"lowpass 1000 Hz", 1000, -3.01}, {"lowpass 1000 Hz", 4000, -24.1}, {"highpass 500 Hz", 500, -3.01}, {"highpass 500 Hz", 125, -24.1},
		{"peak 800 Hz 6 dB q 2", 800, 6}, {"peak 800 Hz 6 dB q 2", 8000, 0}, {"low-shelf 500 Hz 8 dB", 30, 8}, {"high-shelf 2000 Hz -9 dB", 18000, -9},
		{"body 300 Hz second 900 Hz third 2700 Hz fourth 8100 Hz width 20 Hz level 6 dB", 900, 20 * math.Log10(1+math.Pow(10, 0.3))},
	} {
		if got := gainAt(t, c.line, c.hz); math.Abs(got-c.db) > 0.7 {
			t.Errorf("%s at %g Hz: %.2f dB, want %.2f", c.line, c.hz, got, c.db)
		}
	}
}

func TestDriveAddsPartials(t *testing.T) {
	x := tone(500, rate, rate)
	odd, leaning := runLine(t, x, "drive 12 dB even 0 %"), runLine(t, x, "drive 12 dB even 60 %")
	part := func(y []float32, k float64) float64 {
		return levelAt(y[:rate], 500*k, rate) - levelAt(y[:rate], 500, rate)
	}
	if part(odd, 3) < -20 || part(odd, 2) > -60 {
		t.Errorf("an even bend: the second partial at %.1f dB, the third at %.1f", part(odd, 2), part(odd, 3))
	}
	if part(leaning, 2) < -30 {
		t.Errorf("a leaning bend: the second partial at %.1f dB", part(leaning, 2))
	}
	// 4.7 kHz bent: its seventh partial, 32.9 kHz, must not fold back to 15.1.
	y := runLine(t, tone(4700, rate, rate), "drive 24 dB even 0 %")
	if fold := levelAt(y[:rate], 15100, rate) - levelAt(y[:rate], 4700, rate); fold > -55 {
		t.Errorf("the seventh partial folds back at %.1f dB", fold)
	}
	if up := levelAt(y[:rate], 14100, rate) - levelAt(y[:rate], 4700, rate); up < -20 {
		t.Errorf("the third partial is at %.1f dB", up)
	}
	if y := runLine(t, x, "drive 0 dB even 0 %"); part(y, 3) > part(odd, 3)-8 {
		t.Errorf("a drive of 0 dB bends as 12 dB does: %.1f and %.1f dB", part(y, 3), part(odd, 3))
	}
}

func TestCombEchoes(t *testing.T) {
	x := make([]float32, 4800)
	x[0] = 1
	y := runLine(t, x, "comb 10 ms back 50 % mix 40 %")
	for i, want := range map[int]float64{0: 1, 480: 0.4, 960: 0.2, 1440: 0.1, 481: 0} {
		if math.Abs(float64(y[i])-want) > 1e-6 {
			t.Errorf("sample %d is %g, want %g", i, y[i], want)
		}
	}
}

func TestTremoloAndAttack(t *testing.T) {
	x := tone(1000, rate, rate)
	y := runLine(t, x, "tremolo 5 Hz 50 %")
	loud, soft := rmsDB(y[rate*5/100-240:rate*5/100+240]), rmsDB(y[rate*15/100-240:rate*15/100+240])
	if math.Abs(loud-soft-6.02) > 0.2 {
		t.Errorf("half a tremolo swings by %.2f dB, want 6.02", loud-soft)
	}
	z := runLine(t, x, "attack 200 ms")
	early, late := rmsDB(z[rate/20:rate/20+960])-rmsDB(x[:960]), rmsDB(z[rate*9/10:])-rmsDB(x[:960])
	if early > -6 || late < -1 {
		t.Errorf("an attack over 200 ms is at %.1f dB after 50 ms and %.1f at the end", early, late)
	}
}

// Voices of a crowd are not copies: what is left of one beside another, moved
// and scaled as well as it goes, is most of it.
func TestVoicesAreTrulyOthers(t *testing.T) {
	x := melody(6)
	s := listen(t, x)
	one := render(t, s, s.singer(&random{state: 1}, 14, 0.03, 0.04))
	two := render(t, s, s.singer(&random{state: 2}, 14, 0.03, 0.04))
	again := render(t, s, s.singer(&random{state: 1}, 14, 0.03, 0.04))
	for i := range one {
		if one[i] != again[i] {
			t.Fatal("a singer of one seed is not the same twice")
		}
	}
	for name, pair := range map[string][2][]float32{"singer and original": {one, x}, "two singers": {one, two}} {
		a, b := widen(pair[0][rate:4*rate]), widen(pair[1][rate:4*rate])
		c, err := dsp.CrossCorrelate(a, b, rate/20)
		if err != nil {
			t.Fatal(err)
		}
		best, ea, eb := 0.0, 0.0, 0.0
		for i := range a {
			ea, eb = ea+a[i]*a[i], eb+b[i]*b[i]
		}
		for _, v := range c {
			best = max(best, math.Abs(v))
		}
		like := best / math.Sqrt(ea*eb)
		t.Logf("%s: alike by %.2f", name, like)
		if like > 0.7 {
			t.Errorf("%s are alike by %.2f: a copy, moved", name, like)
		}
	}
	// On the whole they sing the same notes.
	n, _ := pitchOf(t, one[rate*3/10:rate*65/100])
	if math.Abs(n.CentreCents-5700) > 15 {
		t.Errorf("a singer of the crowd is %.1f cents off", n.CentreCents-5700)
	}
}

func widen(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}

func TestOctaveAndWobble(t *testing.T) {
	x := sing(57, "a", 1.5, 0)
	y := runLine(t, x, "octave level 0 dB")
	if up := levelAt(y[rate/2:rate*3/2], 330, rate) - levelAt(x[rate/2:rate*3/2], 330, rate); up < 20 {
		t.Errorf("the third partial of the octave below is only %.1f dB over nothing", up)
	}
	n := centre(t, runLine(t, x, "wobble 5 Hz 80 cents"), 5700)
	if math.Abs(n.VibratoHz-5) > 0.1 || math.Abs(n.VibratoCents-80) > 8 {
		t.Errorf("a wobble of ±80 cents at 5 Hz is ±%.1f at %.2f", n.VibratoCents, n.VibratoHz)
	}
}

func TestStrokesAreTunedAndOnTime(t *testing.T) {
	v := voiceOf
	notes := []singer.Note{{Start: rate / 2, Length: rate / 4, Key: 45, Vowel: "u", Consonant: "t"}, {Start: 2 * rate, Length: rate / 4, Key: 50, Vowel: "u", Consonant: "t"}}
	x := v.Sing(notes, 0, 3*rate)
	y := runLine(t, x, "kettle fall 1500 ms")
	if len(y) != len(x)+rate*3/2 {
		t.Errorf("a ring of 1.5 s makes %d samples of %d", len(y), len(x))
	}
	for i, n := range notes {
		hz := 440 * math.Exp2((n.Key-69)/12)
		at := int(n.Start) + rate/5
		part := y[at : at+rate/2]
		if beside := max(levelAt(part, hz*1.12, rate), levelAt(part, hz*0.9, rate)); levelAt(part, hz, rate) < beside+15 {
			t.Errorf("stroke %d: %.1f dB at %.1f Hz, %.1f beside it", i, levelAt(part, hz, rate), hz, beside)
		}
		if fifth := levelAt(part, 1.5*hz, rate) - levelAt(part, hz, rate); fifth < -15 || fifth > 0 {
			t.Errorf("stroke %d: the second mode is at %+.1f dB", i, fifth)
		}
	}
	first := 0
	for first < len(y) && y[first] == 0 {
		first++
	}
	lead := float64(notes[0].Start-notes[0].Lead(rate)-int64(first)) / rate
	if math.Abs(lead) > 0.005 {
		t.Errorf("the first stroke lies %.1f ms beside its consonant", -1000*lead)
	}
	z := runLine(t, x, "chime fall 800 ms")
	hz := 440 * math.Exp2((45.0-69)/12) * 8 // 110 Hz goes up to between 500 and 1000... by octaves
	for hz >= 1000 {
		hz /= 2
	}
	part := z[rate*6/10 : rate*8/10]
	if levelAt(part, hz, rate) < levelAt(part, hz*1.1, rate)+15 {
		t.Errorf("the glass is not on %.1f Hz", hz)
	}
}

func TestDrumOfConsonants(t *testing.T) {
	notes := []singer.Note{{Start: rate / 2, Length: rate / 10, Consonant: "t"}, {Start: rate, Length: rate / 10, Consonant: "k"}}
	x := voiceOf.Sing(notes, 0, 2*rate)
	y := runLine(t, x, "drum 2000 Hz fall 120 ms tone 180 Hz ring 80 ms wires 70 %")
	for i, at := range []int{rate / 2, rate} {
		hit, rest := rmsDB(y[at:at+rate/50]), rmsDB(y[at+rate/4:at+rate/4+rate/50])
		if hit < rest+40 {
			t.Errorf("stroke %d: %.1f dB, then %.1f", i, hit, rest)
		}
		if low := levelAt(y[at:at+rate/20], 185, rate); low < hit-20 {
			t.Errorf("stroke %d has no skin: %.1f dB at 185 Hz, %.1f in all", i, low, hit)
		}
	}
}

func TestNoiseFollowsTheVoice(t *testing.T) {
	x := sing(57, "a", 1, 0)
	y := runLine(t, x, "breath -10 dB 4000 Hz q 2")
	if in, out := levelAt(y[rate/2:rate], 4000, rate), rmsDB(y[:rate/10]); in < out+20 {
		t.Errorf("breath at %.1f dB in the note and %.1f before it", in, out)
	}
	noise := make([]float32, len(x))
	for i := range noise {
		noise[i] = y[i] - x[i]
	}
	if d := rmsDB(noise[rate/2:rate]) - rmsDB(x[rate/2:rate]); math.Abs(d+10) > 4 {
		t.Errorf("breath of -10 dB lies %.1f dB under the voice", -d)
	}
	z := runLine(t, x, "whistle 3 q 20")
	if on, beside := bandPower(z, 660), bandPower(z, 1000); on < beside+10 {
		t.Errorf("the whistle on the third partial: %.1f dB there, %.1f beside it", on, beside)
	}
}

// bandPower is the mean level in 60 Hz around a frequency over the note.
func bandPower(x []float32, hz float64) float64 {
	sum := 0.0
	for f := hz - 30; f <= hz+30; f += 4 {
		sum += math.Pow(10, levelAt(x[rate/2:rate], f, rate)/10)
	}
	return 10 * math.Log10(sum)
}

// The tone by which wow and flutter are measured is 3150 Hz (IEC 386): its
// speed swings by the share and at the rate that were asked for.
func TestWowAndFlutterAsAskedFor(t *testing.T) {
	for _, c := range []struct {
		line     string
		share, f float64
	}{{"wow 0.5 % rate 0.8 Hz", 0.005, 0.8}, {"flutter 0.2 % rate 10 Hz", 0.002, 10}} {
		x := tone(3150, 4*rate, rate)
		y := runLine(t, x, c.line)
		most, least := 0.0, 1e9
		const part = rate / 100
		var last float64
		have := false
		for at := rate / 10; at+part < 4*rate-rate/10; at += part {
			re, im := 0.0, 0.0
			for i := range part {
				w := 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/part)
				s, cs := math.Sincos(2 * math.Pi * 3150 * float64(at+i) / rate)
				re, im = re+w*float64(y[at+i])*cs, im-w*float64(y[at+i])*s
			}
			p := math.Atan2(im, re)
			if have {
				hz := 3150 + math.Remainder(p-last, 2*math.Pi)/(2*math.Pi)*rate/part
				most, least = max(most, hz), min(least, hz)
			}
			last, have = p, true
		}
		got := (most - least) / 2 / 3150
		t.Logf("%s: ±%.3f %%", c.line, 100*got)
		if math.Abs(got-c.share) > 0.1*c.share {
			t.Errorf("%s swings by ±%.3f %%", c.line, 100*got)
		}
	}
}

func TestHissAndCrackleAsAskedFor(t *testing.T) {
	y := runLine(t, make([]float32, rate), "hiss -50 dBFS")
	if got := rmsDB(y); math.Abs(got+50) > 0.2 {
		t.Errorf("a hiss of -50 dBFS is at %.2f", got)
	}
	x := tone(200, 20*rate, rate)
	z := runLine(t, x, "crackle 5 /s level 0 dB")
	clicks, quietFor := 0, rate
	for i := range x {
		if quietFor++; z[i] != x[i] {
			if quietFor > rate/400 {
				clicks++
			}
			quietFor = 0
		}
	}
	if clicks < 70 || clicks > 130 {
		t.Errorf("%d clicks in 20 s at 5 a second", clicks)
	}
}

func TestWeightingOfIEC386(t *testing.T) {
	for hz, want := range map[float64]float64{4: 0, 1: -4.2, 10: -2.1, 0.1: -30.6, 500: -23} {
		if got := iec386DB(hz); got != want {
			t.Errorf("%g Hz weighs %.2f dB, want %.2f", hz, got, want)
		}
	}
	if got := iec386DB(0.9); !(got > -6 && got < -4.2) {
		t.Errorf("0.9 Hz weighs %.2f dB", got)
	}
}

func TestOpticalGrowsWithItsAmount(t *testing.T) {
	x := sing(57, "a", 2, 0)
	noise := func(line string) float64 { return rmsDB(runLine(t, x, line)[:rate/6]) } // before the note
	none, some, all := noise("optical 0 %"), noise("optical 20 %"), noise("optical 100 %")
	t.Logf("the rest is at %.1f dB as it was, %.1f at 20 %%, %.1f at 100 %%", none, some, all)
	if !(some > none+20 && all > some+6) {
		t.Errorf("the noise of the track: %.1f, %.1f, %.1f dB", none, some, all)
	}
	y := runLine(t, x, "optical 0 %")
	for i := range x {
		if x[i] != y[i] {
			t.Fatal("an amount of 0 % changes the sound")
		}
	}
}
