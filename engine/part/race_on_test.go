//go:build race

package part

// underRace shortens long maps under the race detector.
const underRace = true
