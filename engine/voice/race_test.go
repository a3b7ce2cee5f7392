//go:build race

package voice

// underRace thins the speeds and lengths: the detector makes each ten times slower.
const underRace = true
