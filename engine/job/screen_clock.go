package job

import (
	"context"
	"time"

	"cuechoir/internal/fault"
)

// clockPerSecond is how often a silent run tells where it is.
const clockPerSecond = 30

// RunSilent runs along a stretch of the timeline by the wall clock and sounds
// nothing: for looking at the picture where there is no sound, or no device.
// passes as in PlayOptions. It returns nil at the end and when ctx ends.
func RunSilent(ctx context.Context, x Stretch, sampleRate, passes int, progress func(pass int, at int64)) error {
	if x.To <= x.From {
		return fault.New(fault.Usage, "there is nothing between sample %d and %d", x.From, x.To)
	}
	tick := time.NewTicker(time.Second / clockPerSecond)
	defer tick.Stop()
	begin, long := time.Now(), x.To-x.From
	for {
		gone := int64(time.Since(begin)) / 1000 * int64(sampleRate) / 1_000_000
		pass := int(gone / long)
		if passes != Endless && pass >= max(passes, 1) {
			progress(max(passes, 1)-1, x.To)
			return nil
		}
		progress(pass, x.From+gone%long)
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}
