package report

import (
	"strings"
	"unicode"
)

// plain makes a text safe for one line of a screen or a picture: what would
// steer a terminal or turn the direction of reading goes, breaks and tabs
// become spaces.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case unicode.IsControl(r), r == unicode.ReplacementChar:
			return -1
		case r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069, r == 0x200E, r == 0x200F:
			return -1
		}
		return r
	}, s)
}

// label is a text for a picture: plain, and cut to a number of columns.
func label(s string, columns int) string {
	const longest = 4096 // bytes looked at
	if len(s) > longest {
		s = strings.ToValidUTF8(s[:longest], "")
	}
	return clip(plain(s), columns)
}

// cells is how many columns a text takes in a terminal: 0 for combining
// marks, 2 for the wide letters of East Asia and for emoji (Unicode UAX 11, by
// blocks), else 1.
func cells(s string) int {
	n := 0
	for _, r := range s {
		n += runeCells(r)
	}
	return n
}

func runeCells(r rune) int {
	switch {
	case r == 0x200D || unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case r < 0x1100:
		return 1
	case r <= 0x115F, r >= 0x2E80 && r <= 0xA4CF && r != 0x303F, r >= 0xAC00 && r <= 0xD7A3,
		r >= 0xF900 && r <= 0xFAFF, r >= 0xFE30 && r <= 0xFE6F, r >= 0xFF00 && r <= 0xFF60,
		r >= 0xFFE0 && r <= 0xFFE6, r >= 0x1F300 && r <= 0x1FAFF, r >= 0x20000 && r <= 0x3FFFD:
		return 2
	}
	return 1
}

// clip cuts a text to a number of columns, with "…" where something went.
func clip(s string, most int) string {
	if len(s) <= most { // a column takes at least a byte
		return s
	}
	n := 0
	for i, r := range s {
		if n += runeCells(r); n > most {
			return cutBack(s[:i], most-1) + "…"
		}
		if i > 8*most { // endless combining marks
			return s[:i] + "…"
		}
	}
	return s
}

func cutBack(s string, most int) string {
	for cells(s) > most {
		r := []rune(s)
		s = string(r[:len(r)-1])
	}
	return s
}
