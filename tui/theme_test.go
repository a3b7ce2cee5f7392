package tui

import (
	"math"
	"testing"

	"github.com/gdamore/tcell/v2"
)

// Words must stand off their ground by 4.5 to 1 (WCAG 2.1, success criterion
// 1.4.3; relative luminance and ratio as defined there), in true colour and in
// the 256 colours' nominal values.
func TestContrast(t *testing.T) {
	luminance := func(c tcell.Color) float64 {
		r, g, b := c.RGB()
		linear := func(v int32) float64 {
			x := float64(v) / 255
			if x <= 0.03928 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*linear(r) + 0.7152*linear(g) + 0.0722*linear(b)
	}
	for _, colors := range []int{1 << 24, 256} {
		ground := newTheme(colors, false, false)[InkPlain]
		_, night, _ := ground.Decompose()
		for ink, style := range newTheme(colors, false, false) {
			fg, bg, _ := style.Decompose()
			if bg == tcell.ColorDefault {
				bg = night
			}
			a, b := luminance(fg), luminance(bg)
			if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < 4.5 {
				t.Errorf("%d colours, ink %c: contrast %.2f", colors, inkLetters[ink], ratio)
			}
		}
	}
}

// A terminal is asked only for the colours it has.
func TestColoursFitTheTerminal(t *testing.T) {
	fits := func(c tcell.Color, colors int) bool {
		return c == tcell.ColorDefault || !c.IsRGB() && c >= tcell.ColorValid && int(c-tcell.ColorValid) < colors
	}
	for _, colors := range []int{0, 8, 16, 256} {
		for ink, style := range newTheme(colors, false, false) {
			fg, bg, _ := style.Decompose()
			allowed := colors
			if colors == 8 {
				allowed = 0 // eight are too few to tell the inks apart
			}
			if !fits(fg, allowed) || !fits(bg, allowed) {
				t.Errorf("%d colours: ink %c asks for %v on %v", colors, inkLetters[ink], fg, bg)
			}
		}
	}
	for ink, style := range newTheme(1<<24, true, false) {
		if fg, bg, _ := style.Decompose(); fg != tcell.ColorDefault || bg != tcell.ColorDefault {
			t.Errorf("bare: ink %c has a colour", inkLetters[ink])
		}
	}
	if len(inkLetters) != int(inkCount) {
		t.Errorf("%d letters for %d inks", len(inkLetters), inkCount)
	}
}
