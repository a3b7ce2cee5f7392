package track

import (
	"context"
	"path/filepath"
	"testing"
	"time"
	"unsafe"

	"cuechoir/engine/take"
	"cuechoir/internal/device"
)

// setBy is a reading of the clock after somebody has set the time of day by so many
// seconds. A time.Time holds two readings: the time of day (seconds above bit 30 of
// its first word when it has both), and the monotonic one, which nobody sets. That
// this is so is tested before it is used.
func setBy(t time.Time, seconds int64) time.Time {
	*(*uint64)(unsafe.Pointer(&t)) += uint64(seconds) << 30
	return t
}

// Somebody sets the time of day in the middle of a take, by the second and by
// years, on and back: the take is as long and lies where it would have; nothing is
// told as a slip; its date is that of its beginning.
func TestClockJump(t *testing.T) {
	now := time.Now()
	for _, by := range []int64{-3 * 365 * 86_400, -3600, 1, 20 * 365 * 86_400} {
		if set := setBy(now, by); set.Unix() != now.Unix()+by || set.Sub(now) != 0 {
			t.Fatalf("by %d: the time of day moved by %d, the monotonic clock by %v", by, set.Unix()-now.Unix(), set.Sub(now))
		}
		t.Run("", func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			begun := time.Now()
			clock := func() time.Time {
				if n := time.Now(); n.Sub(begun) < 1200*time.Millisecond {
					return n
				} else {
					return setBy(n, by)
				}
			}
			w, err := take.Create(dir, "a", take.Info{SampleRate: 48000, Created: clock()})
			if err != nil {
				t.Fatal(err)
			}
			const length = 48000 * 3
			dev := &device.Virtual{Realtime: true, LoopDelay: 1680, LoopGain: 1}
			res, err := Record(context.Background(), dev, Plan{SampleRate: 48000, To: length, Monitor: marks, RoundTrip: 1680, StallLimit: 10 * time.Second, Now: clock}, w, nil)
			if err != nil {
				t.Fatal(err)
			}
			info, x := samplesOf(t, dir, res.Take.ID)
			// A busy machine may be late: that is told, and is not what is tested.
			if len(info.Unheard) == 0 && len(info.Dropouts) == 0 {
				checkPlaced(t, info, x, 0, length)
			}
			if info.Start != -1680 || info.Frames != length+1680 || info.Stopped != "" || info.State != take.Whole {
				t.Errorf("by %d s: %+v", by, info)
			}
			if slipped := max(info.Slipped, -info.Slipped); slipped > 24_000 || info.Rate != nil {
				t.Errorf("by %d s: told of a slip of %d and a rate of %+v", by, info.Slipped, info.Rate)
			}
			if d := info.Created.Sub(begun); d < -2*time.Second || d > 2*time.Second {
				t.Errorf("by %d s: made at %v, begun at %v", by, info.Created, begun)
			}
			if found, err := take.Recover(dir); err != nil || len(found) != 0 {
				t.Errorf("%+v %v in %s", found, err, filepath.Base(dir))
			}
		})
	}
}
