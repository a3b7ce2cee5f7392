package tui

import (
	"fmt"
	"testing"
	"time"

	"cuechoir/engine/raster"
	"cuechoir/engine/timecode"

	"github.com/gdamore/tcell/v2"
)

// longDay is 24 hours with 1000 layers: a cut a second, a bar each two, and in
// every layer a note each four seconds, a tenth of them to mend.
func longDay() Model {
	rate, sr := timecode.Rate25, 48000
	m := Model{Title: "A Day", Rate: rate, Frames: 24 * 3600 * 25, SampleRate: sr}
	for f := int64(25); f < m.Frames; f += 25 {
		m.Cuts = append(m.Cuts, Cut{Frame: f, End: f, Kind: "cut"})
		if f%50 == 0 {
			m.Hits = append(m.Hits, Hit{Frame: f, Name: "hit", Place: "1.1", Caught: true})
			m.Bars = append(m.Bars, Bar{Number: int(f / 50), Sample: rate.SampleOf(f, sr), BPM: float64(f), Metre: "4/4"})
		}
	}
	var notes []Note
	var findings []Finding
	for i, f := 0, int64(0); f < m.Frames; i, f = i+1, f+100 {
		notes = append(notes, Note{Start: rate.SampleOf(f, sr), End: rate.SampleOf(f+90, sr), Key: uint8(50 + i%20)})
		if i%10 == 0 {
			findings = append(findings, Finding{Sample: rate.SampleOf(f, sr), Kind: "flat", Severity: float64(i % 7)})
		}
	}
	for i := range 1000 {
		l := Layer{Name: fmt.Sprintf("Voice %d", i), Group: fmt.Sprintf("row %d", i/10)}
		if i < 20 { // the same in each; memory is not what is measured
			l.Notes, l.Findings, l.Sung = notes, findings, true
		}
		m.Layers = append(m.Layers, l)
	}
	return m
}

// BenchmarkKey is a key and the screen after it, without the terminal.
func BenchmarkKey(b *testing.B) {
	for _, size := range [][2]int{{80, 24}, {200, 50}} {
		for name, m := range map[string]Model{"harbour": harbour(), "day": longDay()} {
			for _, zoom := range []string{"", "a"} {
				b.Run(fmt.Sprintf("%s%s-%dx%d", name, zoom, size[0], size[1]), func(b *testing.B) {
					s := stateOf(b, m, size[0], size[1])
					if zoom != "" {
						s = s.press(zoom)
					}
					b.ReportAllocs()
					for b.Loop() {
						if s = s.press("s"); s.Frame == m.Frames-1 {
							s = s.press("home")
						}
						View(s)
					}
				})
			}
		}
	}
}

// BenchmarkRead makes the sheet of 24 hours and 1000 layers.
func BenchmarkRead(b *testing.B) {
	m := longDay()
	for b.Loop() {
		if _, err := newSheet(m); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkPlaying is what a redraw costs while it plays: the word of where it
// is, the screen, its pictures, and what differs sent to a terminal. share is
// the part of a core that thirty a second take.
func BenchmarkPlaying(b *testing.B) {
	for _, size := range [][2]int{{80, 24}, {200, 50}} {
		for _, st := range stages() {
			b.Run(fmt.Sprintf("%s-%dx%d", st.Word(), size[0], size[1]), func(b *testing.B) {
				screen := tcell.NewSimulationScreen("UTF-8")
				if err := screen.Init(); err != nil {
					b.Fatal(err)
				}
				screen.SetSize(size[0], size[1])
				s := stateOf(b, harbour(), size[0], size[1])
				s.Stage = st
				s.stills, s.depth = (&fakeDesk{}).Still, raster.Greys24
				s = s.begun(Wish{Do: DoPlay})
				a := &app{screen: screen, theme: newTheme(1<<24, false, false), colors: 1 << 24}
				at := int64(0)
				for b.Loop() {
					at = (at + 1600) % 2_800_000
					s = s.hear(Told{Moving: true, At: at})
					a.state = s
					a.draw()
				}
				b.ReportMetric(100*30*b.Elapsed().Seconds()/float64(b.N), "%share")
			})
		}
	}
}

// BenchmarkAnswer is a key from the terminal to the screen that shows what it
// did, through the whole loop, with a pause between keys as a person makes; at
// most 30 screens a second are drawn.
func BenchmarkAnswer(b *testing.B) {
	for _, size := range [][2]int{{80, 24}, {200, 50}} {
		b.Run(fmt.Sprintf("%dx%d", size[0], size[1]), func(b *testing.B) {
			s, _, _ := startDesk(b, size[0], size[1], Options{}, &fakeDesk{load: loadHarbour})
			key := "f"
			for b.Loop() {
				b.StopTimer()
				time.Sleep(40 * time.Millisecond)
				for len(s.frames) > 0 {
					<-s.frames
				}
				b.StartTimer()
				s.inject(key)
				<-s.frames
				key = map[string]string{"f": "F", "F": "f"}[key]
			}
		})
	}
}
