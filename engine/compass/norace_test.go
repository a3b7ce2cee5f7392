//go:build !race

package compass

const underRace = false
