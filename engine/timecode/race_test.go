//go:build race

package timecode

// dayStride thins the walk over a day: the race detector makes it ten times
// slower, and nothing here runs beside anything.
const dayStride = 97
