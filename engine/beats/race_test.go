//go:build race

package beats

// underRace thins the made-up references: the detector makes each ten times slower.
const underRace = true
