//go:build race

package compass

// underRace thins the sirens: the detector makes each ten times slower.
const underRace = true
