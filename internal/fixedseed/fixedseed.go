// Package fixedseed gives property tests the same cases at each run. A test
// file imports it for its effect; `go test -rapid.seed N -rapid.checks M`
// draws others.
package fixedseed

import (
	"flag"

	_ "pgregory.net/rapid" // whose flags must be there first
)

// seed is any number but 0, which would mean one drawn at each start.
const seed = "20261125"

func init() {
	if err := flag.Set("rapid.seed", seed); err != nil {
		panic("fixedseed: " + err.Error())
	}
}
