//go:build race

package sketch

// underRace thins the melodies: the detector makes each ten times slower.
const underRace = true
