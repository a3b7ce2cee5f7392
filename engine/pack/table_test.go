package pack

import (
	"cmp"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"cuechoir/internal/fault"
)

// tableSeeds is how many friends the table asks for each cell; the figures of the
// documents are of ten: CUECHOIR_PACK_SEEDS=10 go test -run Table -v ./engine/pack.
func tableSeeds(t *testing.T) int {
	n, err := strconv.Atoi(cmp.Or(os.Getenv("CUECHOIR_PACK_SEEDS"), "1"))
	if err != nil || n < 1 || n > 100 {
		t.Fatal("CUECHOIR_PACK_SEEDS is a number from 1 to 100")
	}
	return n
}

// What comes back by each way, through each thing that happens to a file, from
// friends whose voice, clock, noise and start are drawn anew for each seed: it lies
// within 2 ms and within what is said, or it is refused as not sure.
func TestTableOfFriends(t *testing.T) {
	skipUnderRace(t)
	s, sung := song(t)
	seeds := tableSeeds(t)
	t.Logf("%-18s %-22s %10s %10s %12s %9s", "what happened", "what is heard", "worst ms", "median ms", "least sure", "refused")
	for _, c := range []struct {
		name string
		with func(*friend)
		then func(testing.TB, []float32) []float32
	}{
		{"nothing", func(*friend) {}, nil},
		{"MP3 at 64k", func(*friend) {}, func(t testing.TB, x []float32) []float32 { return coded(t, x, "mp3", "-b:a", "64k") }},
		{"telephone", func(*friend) {}, telephone},
		{"44.1 kHz", func(*friend) {}, func(t testing.TB, x []float32) []float32 { return rated(t, x, 44_100) }},
		{"clipped by 12 dB", func(*friend) {}, func(_ testing.TB, x []float32) []float32 { return clipped(x) }},
		{"12 dB too quiet", func(f *friend) { f.chirpDB -= 12; f.voice -= 12; f.bleedDB -= 12 }, nil},
		{"noise at -45 dBFS", func(f *friend) { f.noiseDB = -45 }, nil},
	} {
		for _, way := range []struct {
			name           string
			chirps, clicks bool
		}{{"chirps", true, false}, {"the click's leak", false, true}, {"the singing alone", false, false}} {
			t.Run(c.name+", "+way.name, func(t *testing.T) {
				if !way.chirps && seeds == 1 && c.then == nil && c.name != "nothing" {
					t.Skip("the whole table: CUECHOIR_PACK_SEEDS=10")
				}
				var errors, sure []float64
				refused := 0
				for seed := range uint64(seeds) {
					r := rand.New(rand.NewPCG(seed, 99))
					f := usual()
					f.seed, f.head, f.tail = seed, way.chirps, way.chirps
					f.before, f.ppm = 0.5+6*r.Float64(), 400*r.Float64()-200
					if way.clicks {
						f.bleedDB = -50
					}
					c.with(&f)
					rec, origin, pace := f.record(t, s, sung)
					if c.then != nil {
						rec = c.then(t, rec)
					}
					a, err := Align(t.Context(), rec, s)
					if err != nil {
						if fault.KindOf(err) != fault.NotMet {
							t.Errorf("%s, %s, seed %d: %v", c.name, way.name, seed, err)
						}
						refused++
						continue
					}
					e := errorMs(a, s.Layout, origin, pace)
					errors, sure = append(errors, e), append(sure, a.Confidence)
					if sung := a.Way == BySung; e > a.WithinMs || e > withinMs && !(sung && a.WithinMs > withinMs) {
						t.Errorf("%s, %s, seed %d: %.3f ms off, said to be within %.3f (%s, %.0f ppm of %.0f, sure %.2f)",
							c.name, way.name, seed, e, a.WithinMs, a.Way, a.PPM, f.ppm, a.Confidence)
					}
				}
				if slices.Sort(errors); len(errors) == 0 {
					t.Logf("%-18s %-22s %10s %10s %12s %6d/%d", c.name, way.name, "-", "-", "-", refused, seeds)
					return
				}
				t.Logf("%-18s %-22s %10.3f %10.3f %12.2f %6d/%d", c.name, way.name, errors[len(errors)-1], errors[len(errors)/2], slices.Min(sure), refused, seeds)
				if way.chirps && refused > 0 {
					t.Errorf("%s: %d of %d with both chirps were refused", c.name, refused, seeds)
				}
			})
		}
	}
}
