package track

import (
	"time"

	"cuechoir/internal/fault"
)

// sleepLimit is how long a pause of some milliseconds may last: what takes
// longer is a computer that slept or a program that was stopped.
const sleepLimit = 2 * time.Second

// rest waits, and tells when the computer slept meanwhile. The clock it reads
// counts sleep, and no change of the time of day moves it.
func (p *pause) rest() error {
	before := sinceBoot()
	p.wait()
	if slept := sinceBoot() - before; slept > sleepLimit {
		return fault.New(fault.Device, "the computer slept or the program was stopped for %v, and the recording ends there", slept.Round(100*time.Millisecond)).
			Mended("what was sung before is kept; sing on from there: cuechoir sing LAYER --span FROM..TO")
	}
	return nil
}
