package pack

import (
	"bytes"
	"embed"
	"html/template"
	"strings"
	text "text/template"

	"cuechoir/internal/fault"
)

// Letter is what the page of instructions says. Texts come from the score and
// may hold anything.
type Letter struct {
	Title, Layer string
	Length       string // of the music, in words
	CountIn      int    // beats counted before it; 0: none
	Notes        int    // in the part; 0: there is none
	Lowest       string // note names
	Highest      string
	First        string // name of the first note, or ""
	FirstAfter   string // how long after the first click it comes
	Guide        bool   // the guide is in the sound to sing to
	Reference    bool   // the reference is
	Files        []Item
}

// Item is a file of the parcel.
type Item struct{ Name, What string }

//go:embed letter.txt letter.html
var letters embed.FS

// Seconds is HandSeconds for the page.
func (Letter) Seconds() int { return HandSeconds }

// Text is the page as plain text, its lines ended for every system.
func (l Letter) Text() ([]byte, error) {
	var b bytes.Buffer
	t, err := text.ParseFS(letters, "letter.txt")
	if err == nil {
		err = t.Execute(&b, l.plain())
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "writing the instructions").Because(err)
	}
	return bytes.ReplaceAll(b.Bytes(), []byte("\n"), []byte("\r\n")), nil
}

// plain keeps a title from breaking the text's lines.
func (l Letter) plain() Letter {
	l.Title = strings.Join(strings.Fields(l.Title), " ")
	return l
}

// HTML is the page with nothing to fetch: one file.
func (l Letter) HTML() ([]byte, error) {
	var b bytes.Buffer
	t, err := template.ParseFS(letters, "letter.html")
	if err == nil {
		err = t.Execute(&b, l.plain())
	}
	if err != nil {
		return nil, fault.New(fault.Unexpected, "writing the instructions").Because(err)
	}
	return b.Bytes(), nil
}
