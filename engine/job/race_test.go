//go:build race

package job

// underRace: the detector makes work on sound ten times slower.
const underRace = true
