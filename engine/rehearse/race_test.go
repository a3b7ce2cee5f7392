//go:build race

package rehearse

// thinned leaves frames of the film out: the detector makes each ten times
// slower.
const thinned = 1
