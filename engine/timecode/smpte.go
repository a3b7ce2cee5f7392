package timecode

import (
	"fmt"
	"strconv"
	"strings"
)

// dropped is how many frame numbers drop-frame counting skips each minute but
// the tenth (SMPTE ST 12-1): 2 at 30000/1001, 4 at 60000/1001, else 0.
func (r Rate) dropped() int64 {
	switch {
	case r.Num == 30000 && r.Den == 1001:
		return 2
	case r.Num == 60000 && r.Den == 1001:
		return 4
	}
	return 0
}

// DayFrames is the number of frames that 24 hours of time code hold.
func (r Rate) DayFrames() int64 {
	day := 24 * 3600 * r.Nominal()
	if r.Drop {
		day -= r.dropped() * 9 * 6 * 24 // nine of ten minutes skip
	}
	return day
}

// Timecode is frame as HH:MM:SS:FF, counted from 00:00:00:00; with ";" before
// the frames when drop-frame. It wraps at 24 hours; a negative frame counts
// back from midnight.
func (r Rate) Timecode(frame int64) string {
	day := r.DayFrames()
	frame = ((frame % day) + day) % day
	sep := byte(':')
	if r.Drop {
		sep = ';'
		d := r.dropped()
		tenMin := 600*r.Nominal() - 9*d
		minute := 60*r.Nominal() - d
		tens, rest := frame/tenMin, frame%tenMin
		frame += 9 * d * tens
		if rest >= 60*r.Nominal() { // the first minute of ten is whole
			frame += d * ((rest-60*r.Nominal())/minute + 1)
		}
	}
	n := r.Nominal()
	ff, s := frame%n, frame/n
	b := make([]byte, 0, len("00:00:00:000"))
	for _, v := range [3]int64{s / 3600, s / 60 % 60, s % 60} {
		b = append(b, byte('0'+v/10), byte('0'+v%10), ':')
	}
	b[len(b)-1] = sep
	if n > 100 {
		b = append(b, byte('0'+ff/100))
	}
	return string(append(b, byte('0'+ff/10%10), byte('0'+ff%10)))
}

// ParseTimecode reads HH:MM:SS:FF (";" or "." may stand before the frames) as
// a frame from 00:00:00:00. A frame number that drop-frame counting skips, or
// that the rate does not have, is refused.
func (r Rate) ParseTimecode(s string) (int64, error) {
	t := strings.TrimSpace(s)
	if i := strings.LastIndexAny(t, ":;."); i >= 0 {
		t = t[:i] + ":" + t[i+1:]
	}
	parts := strings.Split(t, ":")
	if len(parts) != 4 {
		return 0, fmt.Errorf("%q is not a time code: write HH:MM:SS:FF", clip(s))
	}
	var v [4]int64
	for i, p := range parts {
		n, err := strconv.ParseUint(p, 10, 16)
		if err != nil || len(p) == 0 || len(p) > 3 {
			return 0, fmt.Errorf("%q is not a time code: write HH:MM:SS:FF", clip(s))
		}
		v[i] = int64(n)
	}
	n := r.Nominal()
	if v[0] > 23 || v[1] > 59 || v[2] > 59 || v[3] >= n {
		return 0, fmt.Errorf("time code %q is out of range: at %s the frames go from 00 to %02d", clip(s), r, n-1)
	}
	frame := (v[0]*3600+v[1]*60+v[2])*n + v[3]
	if r.Drop {
		d := r.dropped()
		if v[2] == 0 && v[3] < d && v[1]%10 != 0 {
			return 0, fmt.Errorf("time code %q does not exist in drop-frame counting: the next is %02d:%02d:00;%02d", clip(s), v[0], v[1], d)
		}
		minutes := v[0]*60 + v[1]
		frame -= d * (minutes - minutes/10)
	}
	return frame, nil
}

// ParsePosition reads a frame number ("1234") or a time code, as people write
// where something is.
func (r Rate) ParsePosition(s string) (int64, error) {
	t := strings.TrimSpace(s)
	if n, err := strconv.ParseInt(t, 10, 48); err == nil {
		return n, nil
	}
	if strings.ContainsAny(t, ":;") {
		return r.ParseTimecode(t)
	}
	return 0, fmt.Errorf("%q is neither a frame number nor a time code HH:MM:SS:FF", clip(s))
}
