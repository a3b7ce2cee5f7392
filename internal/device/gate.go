package device

import (
	"sync/atomic"
	"time"
)

// callGate lets callbacks through until it is shut, and then waits for the
// one that is inside.
type callGate struct {
	shut   atomic.Bool
	inside atomic.Int32
}

// through runs cb, or does nothing when the gate is shut.
func (g *callGate) through(cb Callback, out, in []float32, frames int) {
	g.inside.Add(1)
	if !g.shut.Load() {
		cb(out, in, frames)
	}
	g.inside.Add(-1)
}

// close shuts the gate; no callback runs after it.
func (g *callGate) close() {
	g.shut.Store(true)
	for g.inside.Load() != 0 {
		time.Sleep(100 * time.Microsecond)
	}
}
