//go:build !race

package decoder

const raceOn = false
