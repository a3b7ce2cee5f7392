//go:build !race

package pitch

const raceEnabled = false

// raceOr is the first under the race detector and the second without it.
func raceOr[T any](_, plain T) T { return plain }
