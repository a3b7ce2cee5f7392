//go:build !race

package voice

const underRace = false
