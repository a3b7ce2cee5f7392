//go:build !race

package rehearse

const thinned = 0
