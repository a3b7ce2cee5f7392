package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
)

// Each curve and accent is drawn, what is wrong is listed, hostile names stay text.
func TestMatchPicture(t *testing.T) {
	p := MatchPicture{Title: "Harbour <1>", SampleRate: 48000, Window: 4800, Samples: 96000, GainDB: -9, Reference: []float64{-20, -30, math.Inf(-1)}, Stem: []float64{-26, math.NaN()},
		ReferenceAccent: []int64{100, 48000}, StemAccent: []int64{200},
		Shots: []MatchShot{{0, 48000, "s1", "as the reference", false}, {48000, 96000, "s2 <b>", "6.0 dB too soft", true}}}
	var b bytes.Buffer
	if err := MatchSVG(&b, p); err != nil {
		t.Fatal(err)
	}
	for d := xml.NewDecoder(bytes.NewReader(b.Bytes())); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	out := b.String()
	for what, want := range map[string]int{"<polyline": 2, "<polygon": 3, "s2 &lt;b&gt;: 6.0 dB too soft</text>": 1, "as the reference</text>": 0, "-9.0 dB": 1, "NaN": 0, "Inf": 0} {
		if n := strings.Count(out, what); n != want {
			t.Errorf("%q: %d times, not %d", what, n, want)
		}
	}
}
