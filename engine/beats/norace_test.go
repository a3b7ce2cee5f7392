//go:build !race

package beats

const underRace = false
