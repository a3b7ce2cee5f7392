//go:build race

package mix_test

// short leaves out what is slow under the race detector.
const short = true
