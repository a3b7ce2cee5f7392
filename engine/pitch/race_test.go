//go:build race

package pitch

// Under the race detector the tools that are not ours are left out.
const raceEnabled = true
