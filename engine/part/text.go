package part

import (
	"fmt"
	"strconv"
	"strings"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// semitones of the letters above C.
var semitones = map[byte]int{'C': 0, 'D': 2, 'E': 4, 'F': 5, 'G': 7, 'A': 9, 'B': 11}

var sharpNames = [12]string{"C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"}

// KeyName is the pitch's name with sharps: 69 is "A4", 60 is "C4" (middle C),
// 0 is "C-1", 127 is "G9".
func KeyName(key uint8) string {
	return sharpNames[key%12] + strconv.Itoa(int(key)/12-1)
}

// ParseKey reads a pitch's name: a letter, sharps or flats (#, ♯, b, ♭) and an
// octave, C-1 to G9; middle C is C4. "B#3" is C4.
func ParseKey(s string) (uint8, error) {
	bad := fault.New(fault.Malformed, "%q is not a pitch", clip(s)).Mended("write a letter, # or b, and an octave, such as A4 or Eb5; x for no pitch")
	if len(s) < 2 || len(s) > 12 {
		return 0, bad
	}
	letter := s[0] &^ 0x20
	key, ok := semitones[letter]
	if !ok {
		return 0, bad
	}
	rest, shift := strings.NewReplacer("♯", "#", "♭", "b").Replace(s[1:]), 0
	for rest != "" && (rest[0] == '#' || rest[0] == 'b') {
		if shift++; rest[0] == 'b' {
			shift -= 2
		}
		rest = rest[1:]
	}
	return keyOf(key+shift, shift, rest, bad)
}

func keyOf(semitone, shift int, octave string, bad error) (uint8, error) {
	o, err := strconv.Atoi(octave)
	if err != nil || strings.HasPrefix(octave, "+") || len(octave) > 2 || shift > 2 || shift < -2 {
		return 0, bad
	}
	key := semitone + 12*(o+1)
	if key < 0 || key > 127 {
		return 0, bad
	}
	return uint8(key), nil
}

// String is the text form that ParseNote reads: "start length pitch lyric".
func (n Note) String() string {
	pitch := "x"
	if !n.Unpitched {
		pitch = KeyName(n.Key)
	}
	s := fmt.Sprintf("%s %s %s", n.Start, n.Length, pitch)
	if n.Lyric != "" {
		s += " " + n.Lyric
	}
	return s
}

// ParseNote reads "start length pitch [lyric]": quarters as 1, 1/2 or 0.5, a
// pitch such as A4 or x for none, and the syllable to the end of the line.
func ParseNote(s string) (Note, error) {
	if len(s) > 3*maxLyric {
		return Note{}, fault.New(fault.OverLimit, "a note of %d characters is too long", len(s))
	}
	fields, rest := cutFields(s, 3)
	if len(fields) < 3 {
		return Note{}, fault.New(fault.Malformed, "%q is not a note", clip(s)).
			Mended("write start, length and pitch, and a syllable if there is one: 1/2 1 A4 ah")
	}
	var n Note
	var err error
	if n.Start, err = timecode.ParseRatio(fields[0]); err != nil {
		return Note{}, fault.New(fault.Malformed, "the note's start").Because(err)
	}
	if n.Length, err = timecode.ParseRatio(fields[1]); err != nil {
		return Note{}, fault.New(fault.Malformed, "the note's length").Because(err)
	}
	if fields[2] == "x" || fields[2] == "X" {
		n.Unpitched = true
	} else if n.Key, err = ParseKey(fields[2]); err != nil {
		return Note{}, err
	}
	n.Lyric = strings.TrimSpace(rest)
	return n, n.Validate()
}

// cutFields takes n words off the front.
func cutFields(s string, n int) (fields []string, rest string) {
	for range n {
		s = strings.TrimSpace(s)
		i := strings.IndexAny(s, " \t")
		if i < 0 {
			i = len(s)
		}
		if i == 0 {
			return fields, ""
		}
		fields, s = append(fields, s[:i]), s[i:]
	}
	return fields, s
}

// MarshalText and UnmarshalText make a note one string of a score file.
func (n Note) MarshalText() ([]byte, error) { return []byte(n.String()), n.Validate() }

// UnmarshalText is ParseNote.
func (n *Note) UnmarshalText(b []byte) error {
	v, err := ParseNote(string(b))
	if err == nil {
		*n = v
	}
	return err
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}
