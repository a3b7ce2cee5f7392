package pack

import "testing"

// Placing the 40 s song with its chirps (73 s of recording), and without any.
func BenchmarkAlign(b *testing.B) {
	s, sung := song(b)
	for name, with := range map[string]func(*friend){"chirps": func(*friend) {}, "click": func(f *friend) { f.head, f.tail, f.bleedDB = false, false, -50 }} {
		f := usual()
		with(&f)
		rec, _, _ := f.record(b, s, sung)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := Align(b.Context(), rec, s); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(rec))/testRate*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}
