//go:build race

package score

const raceBuild = true
