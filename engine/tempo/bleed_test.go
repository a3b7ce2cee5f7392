package tempo

import (
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"cuechoir/internal/dsp"
	"cuechoir/internal/singer"
)

// bleedOf is the energy of a beat and an accent above 2 kHz and in all, in dB,
// and how long an accent lasts until it stays 60 dB under its peak.
func bleedOf(t *testing.T, s Sound) (high, all, ms float64) {
	const sr, n = 48000, 8192
	out, err := RenderClick([]Click{{}, {Sample: n, Accent: true}}, 0, 2*n, sr, ClickOptions{Sound: s})
	if err != nil {
		t.Fatal(err)
	}
	f, err := dsp.NewRealFFT(2 * n)
	if err != nil {
		t.Fatal(err)
	}
	x, bins := make([]float64, 2*n), make([]complex128, f.Bins())
	for i := range x {
		x[i] = float64(out[i])
	}
	f.Forward(bins, x)
	for k, b := range bins {
		e := cmplx.Abs(b) * cmplx.Abs(b)
		all += e
		if k*sr >= 2000*2*n {
			high += e
		}
	}
	peak := float64(dsp.Peak(out[n:]))
	for i, v := range out[n:] {
		if math.Abs(float64(v)) > peak/1000 {
			ms = float64(i+1) * 1000 / sr
		}
	}
	return 10 * math.Log10(high), 10 * math.Log10(all), ms
}

// What each sound could leak, against the tone: the figures that Sound states.
func TestBleed(t *testing.T) {
	toneHigh, toneAll, _ := bleedOf(t, SoundTone)
	for _, c := range []struct {
		s        Sound
		high, ms float64
	}{{SoundTone, 0, 29}, {SoundShort, -21, 12}, {SoundSoft, -37, 44}, {SoundLow, -49, 59}} {
		high, all, ms := bleedOf(t, c.s)
		t.Logf("%-5s: %.1f dB above 2 kHz, %.1f dB in all (against the tone), %.1f ms", c.s, high-toneHigh, all-toneAll, ms)
		if math.Abs(high-toneHigh-c.high) > 1 || math.Abs(ms-c.ms) > 1 {
			t.Errorf("%s: %.1f dB above 2 kHz and %.1f ms, where %g and %g are stated", c.s, high-toneHigh, ms, c.high, c.ms)
		}
		if c.s == SoundShort && all >= toneAll-2 {
			t.Errorf("short has %.1f dB of the tone's energy", all-toneAll)
		}
	}
}

// A spoken number has its stressed onset on the click's sample, is over before
// the next, and is the same rendered in parts.
func TestSpokenClicks(t *testing.T) {
	const sr = 48000
	var clicks []Click
	at := int64(-60000)
	for i, gap := range []int64{30000, 30000, 17143, 17143, 12000, 12000, 24000} { // 96 to 240 BPM
		clicks = append(clicks, Click{Sample: at, Bar: 1, Beat: i + 1, Accent: i == 0}, Click{Sample: at + gap/2, Bar: 1, Beat: i + 1, Part: 1})
		at += gap
	}
	o := ClickOptions{Sound: SoundSpoken, LevelDB: -12}
	s, err := NewSounding(clicks, sr, o)
	if err != nil {
		t.Fatal(err)
	}
	var numbers []event
	for _, e := range s.events {
		if len(e.shape) > sr/10 {
			numbers = append(numbers, e)
		}
	}
	if len(numbers) != 7 {
		t.Fatalf("%d numbers", len(numbers))
	}
	for i, e := range numbers {
		word, _ := singer.NumberWord(i + 1)
		fits := slices.ContainsFunc(paces, func(pace float64) bool {
			w, err := singer.Say(word, sr, pace)
			return err == nil && slices.Equal(w.Samples, e.shape) && e.at+int64(w.Stress) == clicks[2*i].Sample
		})
		if !fits {
			t.Errorf("%s is not on its beat", word)
		}
		if i > 0 && numbers[i-1].at+int64(len(numbers[i-1].shape)) > e.at {
			t.Errorf("%s begins before the number before it is over", word)
		}
	}
	out, err := RenderClick(clicks, -100000, 100000, sr, o)
	if err != nil {
		t.Fatal(err)
	}
	if db := 20 * math.Log10(float64(dsp.Peak(out))); math.Abs(db+12) > 0.01 {
		t.Errorf("peak %.2f dBFS, want -12", db)
	}
	parts := make([]float32, len(out))
	for a := 0; a < len(parts); a += 4099 {
		s.Add(parts[a:min(a+4099, len(parts))], int64(a-100000))
	}
	if !slices.Equal(out, parts) {
		t.Error("rendered in parts it differs")
	}
	if first := slices.IndexFunc(out, func(v float32) bool { return v != 0 }); int64(first-100000) != s.Start() {
		t.Errorf("the first sound is at %d, Start says %d", first-100000, s.Start())
	}
}

func TestSpokenRefuses(t *testing.T) {
	for want, clicks := range map[string][]Click{
		"up to twelve": {{Bar: 3, Beat: 13}},
		"too short":    {{Beat: 1}, {Sample: 6000, Beat: 2}},
	} {
		if _, err := NewSounding(clicks, 48000, ClickOptions{CountIn: SoundTone, Sound: SoundSpoken}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	// The count-in alone is spoken; the beat after it is a click.
	s, err := NewSounding([]Click{{Sample: -48000, Beat: 1, CountIn: true}, {Sample: 0, Beat: 1}}, 48000, ClickOptions{CountIn: SoundSpoken, Sound: SoundLow})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.events) != 2 || s.events[0].at >= -48000 || s.events[1].at != 0 {
		t.Errorf("%d sounds from %d", len(s.events), s.Start())
	}
}

// Full scale is never passed, even where loud clicks lie on each other.
func TestClicksStayWithinFullScale(t *testing.T) {
	var clicks []Click
	for i := range int64(40) {
		clicks = append(clicks, Click{Sample: i * 300, Accent: true})
	}
	out, err := RenderClick(clicks, 0, 20000, 48000, ClickOptions{LevelDB: -1e-9, Sound: SoundLow})
	if err != nil {
		t.Fatal(err)
	}
	if p := dsp.Peak(out); p > 1 {
		t.Errorf("peak %g", p)
	}
}
