package report

import (
	"math"
	"math/rand/v2"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
)

// lamplighter is an invented job: 96 s of picture, twelve cuts and more, a
// stepped map, seven layers with faults of each sort.
func lamplighter() Picture {
	rate := timecode.Rate23976
	const frames = 2304
	p := Picture{Title: "The Lamplighter's Daughter", Rate: rate, Frames: frames, SampleRate: 48000}
	cuts := []int64{96, 171, 240, 318, 391, 480, 552, 611, 655, 701, 744, 792, 960, 1104, 1201, 1296, 1344, 1380, 1416, 1440, 1464, 1488, 1512, 1632, 1776, 1920}
	p.Cuts = append(p.Cuts, cutlist.Cut{Frame: 0, End: 36, Kind: cutlist.FadeIn})
	for _, f := range cuts {
		p.Cuts = append(p.Cuts, cutlist.Cut{Frame: f, End: f, Kind: cutlist.HardCut})
	}
	p.Cuts = append(p.Cuts, cutlist.Cut{Frame: 864, End: 900, Kind: cutlist.Dissolve}, cutlist.Cut{Frame: 2060, End: 2090, Kind: cutlist.Dissolve}, cutlist.Cut{Frame: 2220, End: 2290, Kind: cutlist.FadeOut})
	starts, bpms := bars(frames)
	for i, f := range starts {
		p.Bars = append(p.Bars, Bar{Number: i + 1, Sample: rate.SampleOf(f, 48000), BPM: bpms[i], Metre: map[bool]string{true: "3/4", false: "4/4"}[i >= 20 && i < 24]})
	}
	p.Hits = []Hit{
		{Frame: 96, Must: true, Name: "Match struck", Place: "3.1", Caught: true},
		{Frame: 480, Must: true, Name: "Door", Place: "11.1", Caught: true},
		{Frame: 655, Name: "Glance", Place: "14.3", ErrorFrames: 0.42, Caught: true},
		{Frame: 792, Must: true, Name: "Rooftops", Place: "17.1", Caught: true},
		{Frame: 1296, Must: true, Name: "Chase", Place: "27.1", Caught: true},
		{Frame: 1416, Name: "Lantern falls", Place: "31.2", ErrorFrames: -4.75},
		{Frame: 1512, Must: true, Name: "Title card", Place: "35.1", Caught: true},
		{Frame: 2060, Name: "Dawn", Place: "45.1", ErrorFrames: -0.88, Caught: true},
	}
	for i, l := range []struct {
		name, group string
		key         float64
		pattern     []float64
	}{
		{"Soprano", "choir", 69, []float64{0, 2, 3, 7, 5, 3, 2, 0}},
		{"Alto", "choir", 62, []float64{0, 0, 3, 2, 0, -2, 0, 0}},
		{"Horns", "brass", 57, []float64{0, 7, 5, 3}},
		{"Low brass", "brass", 45, []float64{0, 0, -2, 3}},
		{"Strings", "strings", 60, []float64{0, 3, 7, 10, 7, 3, 0, 3, 7, 8, 7, 3}},
		{"Bass", "strings", 38, []float64{0, -2}},
	} {
		p.Layers = append(p.Layers, voice(uint64(i), l.name, l.group, l.key, l.pattern, p.Bars))
	}
	p.Layers = append(p.Layers, drums(p.Bars))
	p.Layers[0].Findings = []Finding{{Sample: p.Bars[12].Sample, Kind: "pitch", Words: "C5 is 41 cents sharp; sing the phrase from bar 12 again"}, {Sample: p.Bars[33].Sample, Kind: "drift", Words: "falls 18 cents from here to the end"}}
	p.Layers[3].Findings = []Finding{{Sample: p.Bars[5].Sample, Kind: "time", Words: "enters 86 ms (2.1 frames) late after the rest"}}
	p.Layers[4].Findings = []Finding{{Sample: p.Bars[18].Sample, Kind: "missing", Words: "two notes are not sung"}}
	p.Foot = []string{"Mix: -23.0 LUFS integrated, 7.4 LU range, true peak -1.00 dBTP, trim -2.31 dB", "Stem: 4612608 samples, exactly the reference; bext 01:00:00:00"}
	return p
}

func bars(frames int64) (starts []int64, bpm []float64) {
	for f := int64(0); f < frames; {
		length := int64(48)
		switch n := len(starts); {
		case n >= 20 && n < 24:
			length = 42
		case n >= 24 && n < 34:
			length = 36
		}
		starts = append(starts, f)
		bpm = append(bpm, 4*60*24000/1001.0/float64(length))
		f += length
	}
	return starts, bpm
}

func voice(seed uint64, name, group string, key float64, pattern []float64, bars []Bar) Layer {
	r := rand.New(rand.NewPCG(seed, 7))
	l := Layer{Name: name, Group: group}
	n := 0
	for b := 0; b+1 < len(bars); b++ {
		if (b+int(seed)*3)%11 < 2 { // rests
			continue
		}
		per := []int{2, 1, 1, 1, 4, 1}[seed%6]
		length := (bars[b+1].Sample - bars[b].Sample) / int64(per)
		for i := range per {
			t := Target{bars[b].Sample + int64(i)*length, bars[b].Sample + int64(i+1)*length - 1500, key + pattern[n%len(pattern)]}
			n++
			l.Targets = append(l.Targets, t)
			if seed == 4 && (b == 18 && i < 2) {
				continue
			}
			cents := math.Round(11 * r.NormFloat64())
			if seed == 0 && b > 33 {
				cents -= float64(b-33) * 3
			}
			verdict := "in tune"
			if cents > inTuneCents {
				verdict = "sharp"
			} else if cents < -inTuneCents {
				verdict = "flat"
			}
			late := int64(900 * r.NormFloat64())
			l.Sung = append(l.Sung, Sung{t.Start + late, t.End + late/2, cents, t.Key, verdict})
		}
	}
	return l
}

func drums(bars []Bar) Layer {
	l := Layer{Name: "Drums", Group: "drums", Unpitched: true}
	for b := 16; b+1 < len(bars); b++ {
		beat := (bars[b+1].Sample - bars[b].Sample) / 4
		for i := range int64(4) {
			at := bars[b].Sample + i*beat
			l.Targets = append(l.Targets, Target{Start: at, End: at + 6000})
			l.Sung = append(l.Sung, Sung{Start: at + 200, End: at + 5600, Verdict: "in time"})
		}
	}
	return l
}

// oneVoice is a layer close up: eight bars with scoops, vibrato, a flat note
// and a breath where the reading is unsure.
func oneVoice() LayerPicture {
	full := lamplighter()
	p := LayerPicture{Title: "Soprano", Rate: full.Rate, SampleRate: 48000, From: full.Bars[10].Sample, To: full.Bars[18].Sample, Bars: full.Bars}
	for i, key := range []float64{69, 71, 72, 76, 74, 72, 71, 69} {
		start := full.Bars[10+i].Sample
		t := Target{start, start + 84000, key}
		p.Targets = append(p.Targets, t)
		for n := int64(0); n < 84000; n += 480 {
			sec := float64(n) / 48000
			cents := 100*key - 120*math.Exp(-sec*14) + 30*math.Sin(2*math.Pi*5.5*sec)*math.Min(1, sec)
			if i == 5 {
				cents -= 45
			}
			conf := 0.95
			if n < 2400 || n > 80000 {
				conf = 0.3
			}
			p.Trace = append(p.Trace, Point{start + n, cents, conf})
		}
	}
	for i, cents := range []float64{4, 2, -3, -6, -8, -45, -14, -16} {
		at := full.Bars[10+i].Sample + 42000
		p.Drift.Notes = append(p.Drift.Notes, Point{at, cents, 1})
		p.Drift.Curve = append(p.Drift.Curve, Point{at, 4 - 2.9*float64(i), 1})
	}
	p.Drift.FromCents, p.Drift.ToCents = 5, -19
	p.Findings = []Finding{{Sample: full.Bars[15].Sample + 9000, Kind: "pitch", Words: "C5 is 45 cents flat over its whole length; vibrato is not counted"}}
	p.Foot = []string{"8 notes, 7 within 25 cents; 94 % of the time was judged"}
	return p
}

// fourVoices is eight bars of chords; in bar 14 the alto is 38 cents low, and in
// bar 16 the tenor high.
func fourVoices() ChordPicture {
	full := lamplighter()
	p := ChordPicture{Title: "Four voices", Rate: full.Rate, SampleRate: 48000, From: full.Bars[10].Sample, To: full.Bars[18].Sample, Bars: full.Bars,
		Layers: []string{"Bass", "Tenor", "Alto", "Soprano"}}
	for i := range 8 {
		c := ChordColumn{From: full.Bars[10+i].Sample + 900, To: full.Bars[11+i].Sample - 4000, Blame: -1, ErrorCents: 3 + float64(i%3), BeatHz: 1.4}
		for l, name := range []string{"A2", "E3", "C4", "A4"} {
			c.Members = append(c.Members, ChordMember{Layer: l, Name: name, OffCents: float64((3*i+5*l)%9) - 4})
		}
		switch i {
		case 3:
			c.Members[2].OffCents, c.Blame, c.MoveCents, c.ErrorCents, c.BeatHz = -38, 2, 37, 19, 11.3
		case 5:
			c.Members[1].OffCents, c.Blame, c.MoveCents, c.ErrorCents, c.BeatHz = 31, 1, -30, 15, 6.2
		case 6:
			c.Members = c.Members[:2] // the others rest
		}
		p.Chords = append(p.Chords, c)
	}
	p.Findings = []ChordFinding{{2, Finding{Sample: p.Chords[3].From, Kind: "sour", Words: "bar 14 beat 1 (C4): 38 cents flat against Bass, Tenor and Soprano"}}}
	p.Foot = []string{"8 chords; intervals off by 4 cents (median)"}
	return p
}
