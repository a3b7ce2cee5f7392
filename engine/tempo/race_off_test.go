//go:build !race

package tempo

const underRace = false
