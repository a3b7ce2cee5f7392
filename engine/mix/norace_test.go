//go:build !race

package mix_test

const short = false
