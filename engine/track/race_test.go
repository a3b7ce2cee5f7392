//go:build race

package track

// underRace: the same code runs on fewer recordings.
const underRace = true
