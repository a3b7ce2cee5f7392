//go:build cgo && linux

package track

import (
	"testing"

	"cuechoir/internal/device"
	"cuechoir/internal/pulsetest"
)

// Through JACK in short periods, the device opened anew for each take: the round
// trip is measured once, each start puts another number of periods into it, and
// each take lands within one sample, since what waits in the device is counted:
// the program's own sound is not needed.
func TestPulseJackShortPeriods(t *testing.T) {
	periods, starts := []int{256}, 2
	if pulsetest.Required() {
		periods, starts = []int{64, 256}, 10
	}
	for _, period := range periods {
		jackStarts(t, period, starts)
	}
}

// machineTries is how often a take is done again that a busy machine spoiled:
// sound was lost in the middle of it, as the take itself shows.
const machineTries = 20

func jackStarts(t *testing.T, period, starts int) {
	t.Run("", func(t *testing.T) {
		server := pulsetest.StartJack(t, period)
		join := func() *device.Continuous {
			dev, err := device.Open(device.Options{Backend: "jack", PeriodFrames: period})
			if err != nil {
				t.Fatal(err)
			}
			held := device.NewContinuous(dev) // its ports are there before the take begins
			if err := held.Start(func([]float32, []float32, int) {}); err != nil {
				t.Fatal(err)
			}
			server.Loop(t)
			held.Stop()
			return held
		}
		first := join()
		trip := measureLoop(t, first, 1, machineTries)
		first.Close()
		if !trip.Waiting.Known {
			t.Fatalf("period %d: the device does not tell what waits in it", period)
		}
		delays := map[int64]int{}
		for start, again := 0, 0; start < starts && !t.Failed(); {
			held := join()
			off, moved, tripNow := recordNoise(t, held, trip, uint64(start))
			counted := trip.Samples + device.WaitingIn(held).Since(trip.Waiting)
			held.Close()
			spoiled := moved || tripNow != counted // placed by its own sound, it shows nothing of what waits
			switch {
			case spoiled && again < machineTries:
				again++
			case spoiled:
				pulsetest.TooBusy(t, "period %d: sound was lost in the middle of %d takes, or what waits did not tell", period, again)
			case off < -1 || off > 1:
				t.Errorf("period %d, start %d: the take lies %d samples off its place", period, start, off)
			default:
				delays[tripNow]++
				start++
			}
		}
		t.Logf("period %d: %d takes within a sample; round trips of the starts, and how many had them: %v", period, starts, delays)
	})
}
