package tui

import (
	"cuechoir/engine/raster"

	"github.com/gdamore/tcell/v2"
)

// Ink is the role of a cell; a theme gives it colours and attributes.
type Ink uint8

const (
	InkPlain   Ink = iota // words that matter
	InkQuiet              // words beside them
	InkTitle              // the score's title
	InkGate               // the column in the gate
	InkFilm               // a shot
	InkFilmAlt            // the next shot
	InkEdge               // the film's edge, with its holes and numbers
	InkLeader             // before the first frame and after the last
	InkReel               // the whole reference
	InkMust               // a must-hit
	InkWant               // a want-hit
	InkBar                // bar lines and beats
	InkTempo              // tempo and metre
	InkSung               // notes as sung
	InkUnsung             // notes still to sing
	InkMuted              // notes of a muted layer
	InkChosen             // the chosen layer's name
	InkFinding            // something to mend
	InkKey                // a key's name
	InkNews               // a message
	InkWave               // sound
	InkLevel              // a meter that is well
	InkHot                // a meter near full scale
	InkFlash              // the moment of a hit
	InkPicked             // bars that are chosen
	InkTrace              // the pitch of a voice
	InkGrey               // a cell of a picture: see Cell
	inkCount
)

// inkLetters stand for the inks where a screen is written down.
const inkLetters = ".qTGfFeLRMwbtsumCxkNvlHZPpg"

// swatch is one ink: true colour, its 256-colour and 16-colour neighbours, and
// what is left of it without colour. Index -1 is the terminal's own colour.
type swatch struct {
	fg, bg       int32 // 0xRRGGBB
	fg256, bg256 int
	fg16, bg16   int
	bold         bool
	bare         tcell.AttrMask // with no colour at all
}

// The palette is a cutting room at night: silver film on a brown base, an
// amber lamp in the gate, bars in ink blue, voices in green, faults in coral.
func palette() [inkCount]swatch {
	const night, n256 = 0x15171C, 234
	return [inkCount]swatch{
		InkPlain:   {0xE9E2D3, night, 254, n256, -1, -1, false, 0},
		InkQuiet:   {0x9A958B, night, 246, n256, -1, -1, false, tcell.AttrDim},
		InkTitle:   {0xFFE3A8, night, 223, n256, 11, -1, true, tcell.AttrBold},
		InkGate:    {0x241600, 0xFFB545, 16, 214, 0, 3, true, tcell.AttrReverse},
		InkFilm:    {0x16150F, 0xC9C4B6, 16, 250, 0, 7, false, tcell.AttrUnderline},
		InkFilmAlt: {0x16150F, 0x9E998C, 16, 246, 15, 8, false, 0},
		InkEdge:    {0xE8C9A0, 0x4A2E1C, 230, 58, -1, -1, false, 0},
		InkLeader:  {0x9A958B, 0x22252C, 246, 235, -1, -1, false, tcell.AttrDim},
		InkReel:    {0xC9C4B6, night, 250, n256, -1, -1, false, 0},
		InkMust:    {0xFF9B6A, night, 209, n256, 11, -1, true, tcell.AttrBold},
		InkWant:    {0xF3D27A, night, 222, n256, 3, -1, false, 0},
		InkBar:     {0x8FB6F2, night, 111, n256, 12, -1, false, 0},
		InkTempo:   {0x8FB6F2, night, 111, n256, 12, -1, false, tcell.AttrDim},
		InkSung:    {0x86D49A, night, 114, n256, 10, -1, false, tcell.AttrBold},
		InkUnsung:  {0xA7B8C4, night, 152, n256, 6, -1, false, 0},
		InkMuted:   {0x8C8790, night, 245, n256, -1, -1, false, tcell.AttrDim},
		InkChosen:  {0xE9E2D3, 0x2F4A3A, 254, 22, 0, 2, true, tcell.AttrBold | tcell.AttrUnderline},
		InkFinding: {0xFF8F8F, night, 210, n256, 9, -1, true, tcell.AttrBold | tcell.AttrUnderline},
		InkKey:     {0xFFB545, night, 214, n256, 11, -1, true, tcell.AttrBold},
		InkNews:    {0x15171C, 0x8FB6F2, 16, 111, 0, 6, true, tcell.AttrReverse},
		InkWave:    {0xC9A777, night, 180, n256, 3, -1, false, 0},
		InkLevel:   {0x86D49A, night, 114, n256, 10, -1, false, 0},
		InkHot:     {0xFF8F8F, night, 210, n256, 9, -1, true, tcell.AttrBold},
		InkFlash:   {0x241600, 0xFFF3D6, 16, 230, 0, 15, true, tcell.AttrReverse | tcell.AttrBold},
		InkPicked:  {0x15171C, 0x86B6A0, 16, 108, 0, 2, true, tcell.AttrReverse},
		InkTrace:   {0xFFE3A8, night, 223, n256, 15, -1, true, tcell.AttrBold},
		InkGrey:    {0xE9E2D3, night, 254, n256, -1, -1, false, 0},
	}
}

// stark is the palette of high contrast: white, yellow and black alone, every
// pair at 15 to 1 or more (WCAG 2.2 asks 7 to 1 for its highest grade).
func stark() [inkCount]swatch {
	const white, yellow, black = 0xFFFFFF, 0xFFFF00, 0x000000
	out := palette()
	for i := range out {
		s := &out[i]
		s.fg, s.bg, s.fg256, s.bg256, s.fg16, s.bg16 = white, black, 231, 16, 15, 0
		switch Ink(i) {
		case InkTitle, InkMust, InkFinding, InkKey, InkTrace, InkHot:
			s.fg, s.fg256, s.fg16, s.bold = yellow, 226, 11, true
		case InkGate, InkNews, InkFlash:
			s.fg, s.bg, s.fg256, s.bg256, s.fg16, s.bg16, s.bold = black, yellow, 16, 226, 0, 11, true
		case InkFilm, InkChosen, InkPicked:
			s.fg, s.bg, s.fg256, s.bg256, s.fg16, s.bg16, s.bold = black, white, 16, 231, 0, 15, true
		}
	}
	return out
}

type theme [inkCount]tcell.Style

// newTheme fits a palette to a terminal of so many colours; below 16, or
// bare, it uses attributes alone.
func newTheme(colors int, bare, contrast bool) theme {
	var t theme
	inks := palette()
	if contrast {
		inks = stark()
	}
	for i, s := range inks {
		style := tcell.StyleDefault
		switch {
		case bare || colors < 16:
			// A terminal underlines by the underline's own style, not by the attribute.
			line := s.bare&tcell.AttrUnderline != 0
			t[i] = style.Attributes(s.bare &^ tcell.AttrUnderline).Underline(line)
			continue
		case colors >= 1<<24:
			style = style.Foreground(tcell.NewHexColor(s.fg)).Background(tcell.NewHexColor(s.bg))
		case colors >= 256:
			style = style.Foreground(indexed(s.fg256)).Background(indexed(s.bg256))
		default:
			style = style.Foreground(indexed(s.fg16)).Background(indexed(s.bg16))
		}
		t[i] = style.Bold(s.bold)
	}
	return t
}

func indexed(i int) tcell.Color {
	if i < 0 {
		return tcell.ColorDefault
	}
	return tcell.PaletteColor(i)
}

// grey is the style of a cell of a picture.
func grey(colors int, fore, back byte) tcell.Style {
	if colors >= 1<<24 {
		return tcell.StyleDefault.Foreground(tcell.NewRGBColor(int32(fore), int32(fore), int32(fore))).
			Background(tcell.NewRGBColor(int32(back), int32(back), int32(back)))
	}
	return tcell.StyleDefault.Foreground(indexed(raster.Palette256(fore))).Background(indexed(raster.Palette256(back)))
}
