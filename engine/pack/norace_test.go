//go:build !race

package pack

// underRace: see race_test.go.
const underRace = false
