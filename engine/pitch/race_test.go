//go:build race

package pitch

// Under the race detector, which makes all of this eight times slower, tools
// that are not ours are left out, and one case stands for many.
const raceEnabled = true

// raceOr is the first under the race detector and the second without it.
func raceOr[T any](race, _ T) T { return race }
