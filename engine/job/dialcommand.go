package job

import (
	"fmt"
	"strings"

	"cuechoir/engine/score"
)

// DialCommand is the command that does what SetDial does for all of the layer.
func DialCommand(of DialOf, name, text string) string {
	if text = strings.TrimSpace(text); text == "" {
		text = dialOff
	}
	words := []string{"cuechoir"}
	switch {
	case of.Layer != "":
		words = append(words, layerDialWords(of.Layer, name, text)...)
	case of.Group != "" && (name == dialRoom || name == dialEcho):
		words = append(words, "mix", "send", "--group", of.Group, name, strings.TrimPrefix(text, "db="))
	case of.Group != "":
		words = append(words, "mix", "group", of.Group, "--"+name, text)
	case name == dialRoom || name == dialEcho:
		words = append(append(words, "mix", name), strings.Fields(text)...)
	case name == dialRide && text == dialOff:
		words = append(words, "mix", "ride", "--off")
	case name == dialRide:
		words = append(append(words, "mix", "ride"), strings.Fields(text)...)
	case name == dialLimit:
		words = append(words, "mix", "master", fmt.Sprintf("--limit=%v", text != dialOff))
	case name == dialColour:
		words = append(words, "mix", "master")
		for _, l := range colourWords(text) {
			words = append(words, "--colour", l)
		}
	default:
		words = append(words, "mix", "master", "--"+name, text)
	}
	for i, w := range words {
		words[i] = shellWord(w)
	}
	return strings.Join(words, " ")
}

func layerDialWords(layer, name, text string) []string {
	switch name {
	case dialRetune, dialRetime:
		m, err := mendOfWords(name, text)
		if err != nil {
			return []string{"mend", layer, name}
		}
		words := []string{"mend", layer, name, "--amount", fmt.Sprintf("%g%%", 100*m.Amount)}
		if name == score.Retime {
			return append(words, "--to", m.To)
		}
		return append(words, "--speed", fmt.Sprintf("%gms", m.SpeedMS))
	case dialColour:
		if lines := colourWords(text); len(lines) > 1 || strings.Contains(lines[0], " ") {
			return append([]string{"colour", "edit", layer}, lines...)
		}
		return []string{"colour", layer, colourWords(text)[0]}
	case dialRoom, dialEcho:
		return []string{"mix", "send", layer, name, strings.TrimPrefix(text, "db=")}
	}
	return []string{"mix", "set", layer, "--" + name, text}
}

// colourWords are a colour's name, its lines, or none.
func colourWords(text string) []string {
	if text == dialOff || text == "none" {
		return []string{"none"}
	}
	var lines []string
	for _, l := range strings.Split(text, ";") {
		lines = append(lines, strings.TrimSpace(l))
	}
	return lines
}

// shellWord quotes what a shell would take apart (POSIX.1-2017, 2.2.2).
func shellWord(w string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_=.,:/%+@", r)
	}
	if w != "" && strings.IndexFunc(w, func(r rune) bool { return !plain(r) }) < 0 {
		return w
	}
	return "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
}
