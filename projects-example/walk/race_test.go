//go:build race

package walk

const raceOn = true
