//go:build !race

package tui

const raceDetector = false
