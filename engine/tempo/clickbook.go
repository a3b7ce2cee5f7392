package tempo

import (
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// ParseClick reads frames a beat: "12", "12.5", "25/2", or whole frames and
// eighths, "12-4" (common practice).
func ParseClick(text string) (timecode.Ratio, error) {
	bad := fault.New(fault.Usage, "%q are no frames", clip(text)).Mended("write 12, 12.5 or 12-4 (twelve and four eighths)")
	whole, eighths, ok := strings.Cut(text, "-")
	if !ok {
		r, err := timecode.ParseRatio(text)
		if err != nil || r.Sign() <= 0 {
			return timecode.Ratio{}, bad
		}
		return r, nil
	}
	n, err := strconv.ParseUint(whole, 10, 31)
	e, err2 := strconv.ParseUint(eighths, 10, 8)
	if err != nil || err2 != nil || e > 7 || n+e == 0 {
		return timecode.Ratio{}, bad
	}
	return timecode.R(int64(8*n+e), 8), nil
}

// ClickBook lists the clicks from slow-end to fast-end frames a beat (from <=
// to), in eighths of a frame, that catch every frame within tolerance frames
// when the first of them falls on the first click. It is the table look-up of
// the film click books (common practice); frames rise.
func ClickBook(frames []int64, from, to timecode.Ratio, tolerance int64) []timecode.Ratio {
	var out []timecode.Ratio
	first := -(-8 * from.Num / max(from.Den, 1))
	if timecode.R(first, 8).Cmp(from) < 0 {
		first++
	}
	for e := max(first, 1); timecode.R(e, 8).Cmp(to) <= 0; e++ {
		if bookCatches(frames, e, tolerance) {
			out = append(out, timecode.R(e, 8))
		}
	}
	return out
}

// bookCatches works in eighths of a frame.
func bookCatches(frames []int64, e, tolerance int64) bool {
	for _, f := range frames {
		d := 8 * (f - frames[0]) % e
		if min(d, e-d) > 8*tolerance {
			return false
		}
	}
	return true
}
