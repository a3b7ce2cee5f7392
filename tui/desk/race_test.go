//go:build race

package desk

const raceDetector = true
