//go:build !race

package check

const underRace = false
