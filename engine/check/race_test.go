//go:build race

package check

// underRace thins the planted layers: the detector makes each ten times slower.
const underRace = true
