//go:build race

package picture

// underRace thins the made-up films: the detector makes each ten times slower.
const underRace = true
