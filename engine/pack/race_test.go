//go:build race

package pack

// underRace: the same code runs on fewer recordings.
const underRace = true
