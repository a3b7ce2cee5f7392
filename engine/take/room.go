package take

import (
	"os"
	"time"
)

// RoomIn is how long a take the disk of a score's folder has room for, before
// one is begun, at a rate in Hz; false when that is not known. A Writer tells
// the same as it goes.
func RoomIn(dir string, sampleRate int) (time.Duration, bool) {
	d, err := os.Open(dir)
	if err != nil || sampleRate <= 0 {
		return 0, false
	}
	defer d.Close()
	free, ok := freeBytes(d)
	if !ok {
		return 0, false
	}
	seconds := max(free-keepFree, 0) / bytesPerSample / int64(sampleRate)
	return time.Duration(min(seconds, int64(maxRoom/time.Second))) * time.Second, true
}

// maxRoom keeps the time within what a Duration holds: a century.
const maxRoom = 100 * 365 * 24 * time.Hour
