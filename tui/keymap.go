package tui

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"cuechoir/internal/fault"
)

// Keys says which key does what in each stage. The zero value has no keys.
type Keys struct{ by [inDials + 1][]binding }

func (k *Keys) of(st Stage) []binding { return k.by[st] }

// UsualKeys are the keys when nobody has changed them.
func UsualKeys() *Keys {
	var k Keys
	for _, st := range stages() {
		k.by[st] = append(ofStage(st), walking()...)
	}
	k.by[inDials] = append(dialKeys(), dialWalking()...)
	return &k
}

// KeyLine is a line of the table of keys.
type KeyLine struct {
	Stage  string   `json:"stage"` // "" for all
	Action string   `json:"action"`
	Keys   []string `json:"keys"`
	Words  string   `json:"does"`
}

// Lines are the keys as a table: those of all stages, then each stage's own.
func (k *Keys) Lines() []KeyLine {
	var out []KeyLine
	own := map[Action]bool{}
	for _, st := range stages() {
		for _, b := range ofStage(st) {
			own[b.Do] = true
		}
	}
	for _, b := range k.by[Spot] {
		if !own[b.Do] {
			out = append(out, KeyLine{"", string(b.Do), b.Keys, b.Words})
		}
	}
	for _, st := range append(stages(), inDials) {
		for _, b := range k.by[st] {
			if slices.ContainsFunc(ofStage(st), func(o binding) bool { return o.Do == b.Do }) {
				out = append(out, KeyLine{st.Word(), string(b.Do), b.Keys, b.Words})
			}
		}
	}
	return out
}

// Bounds of a file of keys.
const (
	maxKeyBytes = 64 << 10
	maxKeyLine  = 400
)

// ReadKeys reads a text that changes keys, a line each: an action, an equals
// sign and its keys with spaces between, such as "must = m f5"; no keys leave it
// without. # begins a remark. name is the file's, for messages. Errors:
// Malformed (the line, and what to do), OverLimit.
func ReadKeys(r io.Reader, name string) (*Keys, error) {
	k := UsualKeys()
	lines := bufio.NewScanner(io.LimitReader(r, maxKeyBytes+1))
	lines.Buffer(nil, maxKeyLine)
	size := 0
	for n := 1; lines.Scan(); n++ {
		if size += len(lines.Bytes()) + 1; size > maxKeyBytes {
			return nil, fault.New(fault.OverLimit, "the file of keys is over %d bytes", maxKeyBytes).In(name, "")
		}
		text, _, _ := strings.Cut(lines.Text(), "#")
		if n == 1 {
			text = strings.TrimPrefix(text, "\ufeff")
		}
		if strings.TrimSpace(text) == "" {
			continue
		}
		if err := k.change(text); err != nil {
			return nil, err.In(name, fmt.Sprintf("line %d", n))
		}
	}
	if err := lines.Err(); err != nil {
		return nil, fault.New(fault.Malformed, "the file of keys cannot be read").In(name, "").Because(err)
	}
	if err := k.clash(); err != nil {
		return nil, err.In(name, "")
	}
	return k, nil
}

// change takes in one line.
func (k *Keys) change(text string) *fault.Error {
	action, keys, ok := strings.Cut(text, "=")
	if !ok || strings.TrimSpace(action) == "" {
		return fault.New(fault.Malformed, "%q has no equals sign", strings.TrimSpace(text)).Mended("write it as must = m")
	}
	do := Action(strings.TrimSpace(action))
	given := strings.Fields(keys)
	for _, key := range given {
		if utf8.RuneCountInString(key) != 1 && !namedKey(key) {
			return fault.New(fault.Malformed, "%q is no key", key).
				Mended("use one sign, or a name such as space, enter, tab, left, pgup, f5 or ctrl-k")
		}
	}
	found := false
	for st := range k.by {
		for i := range k.by[st] {
			if k.by[st][i].Do == do {
				k.by[st][i].Keys, found = given, true
				k.by[st][i].Hint = rehint(k.by[st][i], given)
			}
		}
	}
	if !found {
		return fault.New(fault.Malformed, "%q is nothing that a key does", string(do)).Mended("list them: cuechoir keys")
	}
	return nil
}

// rehint puts another key into the hint at the foot.
func rehint(b binding, keys []string) string {
	_, words, ok := strings.Cut(b.Hint, " ")
	if !ok || len(keys) == 0 {
		return ""
	}
	return keys[0] + " " + words
}

// clash reports a key that would do two things in one stage, and a way out
// that is gone.
func (k *Keys) clash() *fault.Error {
	for _, st := range append(stages(), inDials) {
		taken := map[string]Action{}
		out := false
		for _, b := range k.by[st] {
			for _, key := range b.Keys {
				if other, ok := taken[key]; ok {
					return fault.New(fault.Malformed, "in %s the key %s would do %s and %s", st.Word(), key, other, b.Do).
						Mended("give one of them another key")
				}
				taken[key] = b.Do
				out = out || b.Do == "out"
			}
		}
		if !out {
			return fault.New(fault.Malformed, "no key quits").Mended("give out a key, such as: out = q")
		}
	}
	return nil
}

// namedKey reports a key by name.
func namedKey(key string) bool {
	for _, name := range namedKeys() {
		if name == key {
			return true
		}
	}
	if n, ok := strings.CutPrefix(key, "ctrl-"); ok {
		return len(n) == 1 && n[0] >= 'a' && n[0] <= 'z'
	}
	return false
}
