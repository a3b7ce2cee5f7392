//go:build !linux

package track

import "time"

var began = time.Now()

// sinceBoot counts from the program's start; whether sleep counts is the
// system's choice.
func sinceBoot() time.Duration { return time.Since(began) }
