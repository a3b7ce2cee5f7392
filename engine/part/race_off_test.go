//go:build !race

package part

const underRace = false
