package track

import (
	"sync/atomic"
	"time"

	"cuechoir/internal/fault"
)

// sleepLimit is how long a pause of sleepTick may last: what takes longer is a
// computer that slept or a program that was stopped.
const (
	sleepLimit = 2 * time.Second
	sleepTick  = 50 * time.Millisecond
)

// sleepWatch notices sleep on a goroutine that does nothing else, so that a
// disk that is slow to write is not taken for it, and a stop in the middle of
// a write is. The clock it reads counts sleep, and no change of the time of
// day moves it.
type sleepWatch struct {
	slept atomic.Int64 // nanoseconds
	quit  chan struct{}
}

func watchSleep() *sleepWatch {
	w := &sleepWatch{quit: make(chan struct{})}
	go func() {
		for before := sinceBoot(); ; {
			select {
			case <-w.quit:
				return
			case <-time.After(sleepTick):
			}
			now := sinceBoot()
			if pause := now - before; pause > sleepLimit {
				w.slept.Store(int64(pause))
			}
			before = now
		}
	}()
	return w
}

func (w *sleepWatch) stop() { close(w.quit) }

// err tells when the computer slept.
func (w *sleepWatch) err() error {
	slept := time.Duration(w.slept.Load())
	if slept == 0 {
		return nil
	}
	return fault.New(fault.Device, "the computer slept or the program was stopped for %v, and the recording ends there", slept.Round(100*time.Millisecond)).
		Mended("what was sung before is kept; sing on from there: cuechoir sing LAYER --span FROM..TO")
}
