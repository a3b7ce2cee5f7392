package example

import (
	"math"
	"slices"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/singer"
)

// Every hit is a cut, and the plan falls on it exactly, at a bar or beat.
func TestHitsAreSingable(t *testing.T) {
	cuts := map[int64]bool{}
	for _, c := range Truth() {
		cuts[c.Frame] = true
	}
	for _, h := range Hits() {
		if !cuts[h.Frame] {
			t.Errorf("%s: frame %d is no cut", h.Name, h.Frame)
		}
		grid := int64(4)
		if h.Lands == "beat" {
			grid = 1
		}
		best := int64(math.MaxInt64)
		for q := int64(0); q <= 4*Bars; q += grid {
			best = min(best, abs(FrameAt(timecode.Int(q)).Round()-h.Frame))
		}
		if best > h.Tolerance {
			t.Errorf("%s: nearest %s is %d frames away", h.Name, h.Lands, best)
		}
	}
	list := anchors()
	for i := 1; i < len(list); i++ {
		bpm := 60 * Rate().Float() * float64(list[i].quarter-list[i-1].quarter) / float64(list[i].frame-list[i-1].frame)
		if bpm < 90 || bpm > 110 {
			t.Errorf("quarters %d to %d go at %.1f BPM", list[i-1].quarter, list[i].quarter, bpm)
		}
	}
	if SampleAt(timecode.Int(8), sampleRate) != 143*2002 {
		t.Errorf("quarter 8 is at sample %d, want 143 frames of 2002", SampleAt(timecode.Int(8), sampleRate))
	}
}

func abs(n int64) int64 { return max(n, -n) }

func TestLayers(t *testing.T) {
	layers := Layers()
	if len(layers) < 10 {
		t.Errorf("%d layers, want 10 or more", len(layers))
	}
	names := map[string]bool{}
	for _, l := range layers {
		if names[l.Name] || l.Name == "" || !slices.Contains([]string{"brass", "strings", "choir", "drums"}, l.Group) {
			t.Errorf("layer %q of group %q", l.Name, l.Group)
		}
		names[l.Name] = true
		end := timecode.Int(0)
		for i, n := range l.Notes {
			if n.Start.Cmp(end) < 0 || n.Length.Sign() <= 0 {
				t.Errorf("%s note %d begins at %s before %s or has no length", l.Name, i, n.Start, end)
			}
			end = n.Start.Add(n.Length)
			if l.Unpitched != (n.Key == 0) || !l.Unpitched && (n.Key < 40 || n.Key > 84) {
				t.Errorf("%s note %d has key %d, want E2 to C6 (or 0 where unpitched)", l.Name, i, n.Key)
			}
			c, v := syllable(n.Lyric)
			if (c != "" && !slices.Contains(singer.Consonants(), c)) || (v == "") != l.Unpitched || (v != "" && !slices.Contains(singer.Vowels(), v)) {
				t.Errorf("%s note %d: cannot sing %q", l.Name, i, n.Lyric)
			}
		}
		if end.Cmp(timecode.Int(4*Bars)) > 0 || len(l.Notes) == 0 {
			t.Errorf("%s ends at quarter %s", l.Name, end)
		}
	}
}

// Wherever a layer sings, its pitch belongs to the chord, but for the tune's
// passing notes.
func TestLayersFormChords(t *testing.T) {
	for _, l := range Layers() {
		if l.Unpitched {
			continue
		}
		outside := 0
		for _, n := range l.Notes {
			half := n.Start.Div(timecode.Int(2)).Floor()
			h := harmony[half/2][half%2]
			in := false
			for which := range 3 {
				in = in || (h.tone(which, 60)-int(n.Key))%12 == 0
			}
			if !in {
				outside++
			}
		}
		if outside*8 > len(l.Notes) || (l.Name != "Trumpet" && outside > 0) {
			t.Errorf("%s: %d of %d notes are outside their chords", l.Name, outside, len(l.Notes))
		}
	}
}

func layer(t *testing.T, name string) Layer {
	t.Helper()
	for _, l := range Layers() {
		if l.Name == name {
			return l
		}
	}
	t.Fatalf("no layer %q", name)
	return Layer{}
}

// place is the plan itself.
func place(q timecode.Ratio) int64 { return SampleAt(q, sampleRate) }

func TestFaultsReferToNotes(t *testing.T) {
	kinds := map[FaultKind]bool{}
	for _, f := range Faults() {
		kinds[f.Kind] = true
		l := layer(t, f.Layer)
		if f.Note < 0 || f.Last < f.Note || f.Last >= len(l.Notes) {
			t.Errorf("%s in %s: notes %d to %d of %d", f.Kind, f.Layer, f.Note, f.Last, len(l.Notes))
			continue
		}
		if bar := l.Notes[f.Note].Start.Div(timecode.Int(4)).Floor() + 1; bar != int64(f.Bar) {
			t.Errorf("%s in %s: note %d is in bar %d, not %d", f.Kind, f.Layer, f.Note, bar, f.Bar)
		}
		if slices.Contains(CleanLayers(), f.Layer) {
			t.Errorf("%s has a fault and is called clean", f.Layer)
		}
	}
	if len(kinds) != 9 {
		t.Errorf("%d kinds of fault, want 9", len(kinds))
	}
	for _, name := range CleanLayers() {
		layer(t, name)
	}
}

// The truth holds what the faults say, and nothing else strays from clean.
func TestSungStraysOnlyWhereItShould(t *testing.T) {
	for _, l := range Layers() {
		v, notes, index := Sung(l, place, Rate(), sampleRate)
		faults := map[int]Fault{}
		missing := 0
		for _, f := range Faults() {
			if f.Layer == l.Name && f.Kind != Drift {
				faults[f.Note] = f
				if f.Kind == Missing {
					missing++
				}
			}
		}
		if len(notes) != len(l.Notes)-missing || len(index) != len(notes) {
			t.Fatalf("%s: %d of %d notes sung, %d missing", l.Name, len(notes), len(l.Notes), missing)
		}
		if err := v.Check(notes); err != nil {
			t.Errorf("%s: %v", l.Name, err)
		}
		for k, n := range notes {
			i := index[k]
			f := faults[i]
			lateMS := float64(n.Start-place(l.Notes[i].Start)) * 1000 / sampleRate
			wantMS := float64(f.Frames) * 1001 / 24
			if math.Abs(lateMS-wantMS) > 20 || (f.Frames != 0 && math.Abs(lateMS-wantMS) > 0.02) {
				t.Errorf("%s note %d begins %.1f ms late, want %.1f", l.Name, i, lateMS, wantMS)
			}
			if next := k + 1; next < len(notes) && n.Start+n.Length > notes[next].Start {
				t.Errorf("%s note %d runs into the next", l.Name, i)
			}
			if l.Unpitched {
				continue
			}
			want := 0.0
			if f.Kind == Flat || f.Kind == Sharp || f.Kind == Wrong {
				want = f.Cents
			}
			bias := 100*(n.Key-float64(l.Notes[i].Key)) - want
			if math.Abs(bias)+v.JitterCents > 8 {
				t.Errorf("%s note %d is %.1f cents off beside its fault", l.Name, i, bias)
			}
			if n.ScoopCents > 60 || n.VibratoCents > 50 {
				t.Errorf("%s note %d scoops %.0f and shakes %.0f cents", l.Name, i, n.ScoopCents, n.VibratoCents)
			}
		}
	}
}

// The finished sound is the same each time and in each window, and holds the
// dropout, the clipping and the missing note.
func TestPerform(t *testing.T) {
	length := Rate().SampleOf(Frames, sampleRate)
	perform := func(name string, start, n int64) []float32 {
		return Perform(layer(t, name), place, Rate(), sampleRate, start, n)
	}
	for _, name := range []string{"Bass", "Trumpet"} {
		whole := perform(name, 0, length)
		if !slices.Equal(whole, perform(name, 0, length)) {
			t.Errorf("%s: two performances differ", name)
		}
		at := Rate().SampleOf(1226, sampleRate)
		if !slices.Equal(whole[at:at+5000], perform(name, at, 5000)) {
			t.Errorf("%s: a window differs from the whole", name)
		}
		for _, f := range faultsOf(name) {
			checkSound(t, f, whole)
		}
	}
	for _, f := range faultsOf("Cello") {
		n := layer(t, "Cello").Notes[f.Note]
		mid := place(n.Start.Add(n.Length.Div(timecode.Int(2))))
		if rms := level(perform("Cello", mid-4800, 9600)); rms > -55 {
			t.Errorf("the missing note sounds at %.0f dBFS", rms)
		}
	}
	for _, name := range []string{"Soprano", "Violin", "Contrabass", "Tenor"} {
		for i, s := range perform(name, 0, length) {
			if !(s > -1 && s < 1) {
				t.Fatalf("%s clips at sample %d", name, i)
			}
		}
	}
}

func checkSound(t *testing.T, f Fault, x []float32) {
	zeros, full := 0, 0
	run := 0
	for _, s := range x {
		run++
		if s != 0 {
			run = 0
		}
		zeros = max(zeros, run)
		if s == 1 || s == -1 {
			full++
		}
	}
	switch f.Kind {
	case Dropout:
		if want := int(f.Milliseconds) * sampleRate / 1000; zeros < want || zeros > want+1 {
			t.Errorf("longest silence is %d samples, want %d", zeros, want)
		}
	case Clipping:
		if full < 500 {
			t.Errorf("%d samples at full scale in the clipped passage", full)
		}
	}
}

// level is RMS in dBFS.
func level(x []float32) float64 {
	e := 1e-20
	for _, s := range x {
		e += float64(s) * float64(s)
	}
	return 10 * math.Log10(e/float64(len(x)))
}

// The sung pitch of a clean held note and of a flat one, counted in the sound
// itself: the truth of Sung is in the samples.
func TestPerformedPitch(t *testing.T) {
	l := layer(t, "Horn I")
	v, notes, index := Sung(l, place, Rate(), sampleRate)
	flats, held := 0, 0
	for k, n := range notes {
		from, to := n.Start+6000, n.Start+6000+24000
		if to > n.Start+n.Length {
			continue // too short to count
		}
		held++
		if isFlat(index[k]) {
			flats++
			if off := 1200 * math.Log2(v.F0(notes, from)/hzOf(l.Notes[index[k]].Key)); off > -40 {
				t.Errorf("the flat note is %.0f cents off at its middle", off)
			}
		}
		x := Perform(l, place, Rate(), sampleRate, from, to-from)
		want := 0.0
		for s := from; s < to; s++ {
			want += v.F0(notes, s) / float64(to-from)
		}
		got := fundamental(x, want)
		if cents := 1200 * math.Log2(got/want); math.Abs(cents) > 6 {
			t.Errorf("note %d is sung at %.2f Hz, truth %.2f: %.1f cents", index[k], got, want, cents)
		}
	}
	if flats != 1 || held < 10 {
		t.Errorf("%d held notes were counted, %d of them flat", held, flats)
	}
}

func hzOf(key uint8) float64 { return 440 * math.Exp2((float64(key)-69)/12) }

func isFlat(note int) bool {
	return slices.ContainsFunc(Faults(), func(f Fault) bool { return f.Kind == Flat && f.Note == note })
}

// fundamental turns the sound down to 0 Hz by a guess, smooths it, and reads
// the mean turning of the phase that is left.
func fundamental(x []float32, guess float64) float64 {
	const smooth = 2400
	phase := func(from int) float64 {
		re, im := 0.0, 0.0
		for i := from; i < from+smooth; i++ {
			w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i-from)/smooth)
			sin, cos := math.Sincos(2 * math.Pi * guess * float64(i) / sampleRate)
			re, im = re+w*cos*float64(x[i]), im-w*sin*float64(x[i])
		}
		return math.Atan2(im, re)
	}
	turned, last := 0.0, phase(0)
	steps := 0
	for at := 480; at+smooth <= len(x); at += 480 {
		p := phase(at)
		turned += math.Remainder(p-last, 2*math.Pi)
		last = p
		steps++
	}
	return guess + turned/(2*math.Pi)*sampleRate/float64(480*steps)
}

func BenchmarkPerform(b *testing.B) {
	l := Layers()[8]
	length := Rate().SampleOf(Frames, sampleRate)
	for b.Loop() {
		Perform(l, place, Rate(), sampleRate, 0, length)
	}
	b.ReportMetric(62.56*float64(b.N)/b.Elapsed().Seconds(), "xRealTime")
}
