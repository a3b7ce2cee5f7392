//go:build race

package tempo

// underRace thins out long searches under the race detector.
const underRace = true
