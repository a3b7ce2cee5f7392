//go:build !race

package score

const raceBuild = false
