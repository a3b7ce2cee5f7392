//go:build !race

package picture

const underRace = false
