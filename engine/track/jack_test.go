//go:build cgo && linux

package track

import (
	"testing"

	"cuechoir/internal/device"
	"cuechoir/internal/pulsetest"
)

// Through JACK in short periods: each start makes new ports, whose loop is
// joined anew; the round trip is measured once, and takes of later starts land
// within one sample. A start that has another delay is measured again, and
// counted.
func TestPulseJackShortPeriods(t *testing.T) {
	periods, starts, tries := []int{256}, 1, 3
	if pulsetest.Required() {
		periods, starts, tries = []int{64, 256}, 10, 8
	}
	for _, period := range periods {
		jackStarts(t, period, starts, tries)
	}
}

func jackStarts(t *testing.T, period, starts, tries int) {
	t.Run("", func(t *testing.T) {
		server := pulsetest.StartJack(t, period)
		dev, err := device.Open(device.Options{Backend: "jack", PeriodFrames: period})
		if err != nil {
			t.Fatal(err)
		}
		trip, known := int64(0), false
		for start, again := 0, 0; start < starts && !t.Failed(); {
			held := device.NewContinuous(dev)
			if err := held.Start(func([]float32, []float32, int) {}); err != nil {
				t.Fatal(err)
			}
			server.Loop(t)
			held.Stop()
			if !known {
				trip, known = measureLoop(t, held, 1, tries).Samples, true
			}
			off, slipped, told := recordNoise(t, held, trip, uint64(start))
			if err := dev.Stop(); err != nil {
				t.Fatal(err)
			}
			// The dummy driver's clock stands still while the machine is busy, for
			// what is played and what is recorded alike: told, and harmless here.
			if wrong := slipped || off < -1 || off > 1; wrong && again < tries {
				again++
				known = false // as a singer would: measure again
				t.Logf("period %d, start %d: %d samples off, slipped %v; measured and done again, %d so far", period, start, off, slipped, again)
				continue
			} else if wrong {
				pulsetest.TooBusy(t, "period %d, start %d: after %d tries the take still lies %d samples off, slipped %v", period, start, again, off, slipped)
			}
			t.Logf("period %d, start %d: round trip %d, the take lies %d samples off its place, told of a slip: %v", period, start, trip, off, told)
			start++
		}
		if err := dev.Close(); err != nil {
			t.Error(err)
		}
	})
}
