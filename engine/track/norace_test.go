//go:build !race

package track

// underRace: see race_test.go.
const underRace = false
