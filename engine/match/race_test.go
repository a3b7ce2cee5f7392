//go:build race

package match

// underRace: the detector makes work on sound ten times slower.
const underRace = true
