package cutlist

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxName is the longest name of a cut, a marker or a list, in bytes: what a
// score keeps.
const MaxName = 200

// checkName reports why a score could not keep a name.
func checkName(s string) error {
	if len(s) > MaxName {
		return fmt.Errorf("the name %q is longer than %d bytes", clip(s), MaxName)
	}
	if !utf8.ValidString(s) {
		return fmt.Errorf("the name %q is not UTF-8", clip(s))
	}
	if strings.IndexFunc(s, hidden) >= 0 {
		return fmt.Errorf("the name %q holds a control character", clip(s))
	}
	return nil
}

// cleanName makes a stranger's name one that a score can keep: hidden
// characters become spaces, what is too long is cut off.
func cleanName(s string) string {
	s = strings.Map(func(c rune) rune {
		if hidden(c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(s, "\ufffd"))
	if len(s) > MaxName {
		end := MaxName
		for !utf8.RuneStart(s[end]) {
			end--
		}
		s = s[:end]
	}
	return s
}

// hidden characters could break a line or turn the order of what a person reads.
func hidden(c rune) bool { return unicode.IsControl(c) || unicode.Is(unicode.Bidi_Control, c) }

// encodeName is a name as it stands in a line of text whose reader trims
// spaces: as it is, or in double quotes with Go's escapes where spaces at its
// ends or a quote at its beginning would be lost.
func encodeName(s string) string {
	if strings.TrimSpace(s) == s && !strings.HasPrefix(s, `"`) && !strings.Contains(s, "\ufeff") {
		return s
	}
	return strconv.Quote(s)
}

// decodeName undoes encodeName; a text that is not wholly quoted is a name as
// it stands.
func decodeName(s string) string {
	if strings.HasPrefix(s, `"`) {
		if u, err := strconv.Unquote(s); err == nil {
			return u
		}
	}
	return s
}
