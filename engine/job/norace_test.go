//go:build !race

package job

// underRace: see race_test.go.
const underRace = false
