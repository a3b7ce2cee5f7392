//go:build !race

package timecode

const dayStride = 1
