//go:build !race

package pitch

const raceEnabled = false
