package rehearse

import (
	"fmt"
	"math/big"
)

// Size of the picture in points: a still above, the counter under it.
const (
	Width, Height = 640, 480
	StillHeight   = 360
)

// moment is what one frame of the picture shows.
type moment struct {
	frame   int64 // of the reference; -1 outside the passes
	start   bool  // the start frame
	tenths  int64 // of seconds since the start, of the span's own time
	count   int64 // 1, 2, 3 in the seconds before a start, as they are heard; else 0
	passing int   // from 0: the pass that it belongs to, or comes before
}

// momentAt is what frame j shows: exact, in whole frames.
func (p *Plan) momentAt(j int64) moment {
	m := moment{frame: -1}
	for i, pass := range p.Passes {
		m.passing = i
		since := j - pass.StartFrame
		if since < 0 {
			// Seconds still to go, of the span's own time, rounded up.
			x := p.ownSeconds(-since)
			n := new(big.Int).Add(x.Num(), x.Denom())
			n.Sub(n, big.NewInt(1))
			if left := n.Quo(n, x.Denom()).Int64(); left <= counts {
				m.count = counts + 1 - left
			}
			return m
		}
		own := new(big.Rat).SetInt64(since)
		own.Mul(own, p.Speed.Rat())
		frame := p.From + new(big.Int).Quo(own.Num(), own.Denom()).Int64()
		if frame < p.To {
			x := p.ownSeconds(since)
			x.Mul(x, big.NewRat(10, 1))
			return moment{frame: frame, start: since == 0, tenths: new(big.Int).Quo(x.Num(), x.Denom()).Int64(), passing: i}
		}
	}
	return m
}

// ownSeconds is how much of the span's own time n frames of the picture are.
func (p *Plan) ownSeconds(n int64) *big.Rat {
	x := big.NewRat(n*p.Rate.Den, p.Rate.Num)
	return x.Mul(x, p.Speed.Rat())
}

// Still gives the picture of a reference's frame: Width by StillHeight greys.
type Still func(frame int64, dst []byte) error

// Draw draws frame j of the rehearsal's picture into dst, Width by Height
// greys, rows from the top. start is the time code of the reference's frame 0.
// The start frame is white where the still would be.
func (p *Plan) Draw(dst []byte, j, start int64, still Still) error {
	clear(dst)
	m := p.momentAt(j)
	switch {
	case m.count > 0:
		drawText(dst, fmt.Sprint(m.count), Width/2, StillHeight/2, 24)
	case m.start:
		for i := range dst[:Width*StillHeight] {
			dst[i] = 255
		}
	case m.frame >= 0 && still != nil:
		if err := still(m.frame, dst[:Width*StillHeight]); err != nil {
			return err
		}
	}
	if m.frame >= 0 {
		drawText(dst, p.Rate.Timecode(start+m.frame), Width/2, StillHeight+34, 7)
		drawText(dst, fmt.Sprintf("%d.%d s", m.tenths/10, m.tenths%10), Width/4, StillHeight+90, 6)
		drawText(dst, fmt.Sprintf("f%d", m.frame), 3*Width/4, StillHeight+90, 6)
	} else {
		drawText(dst, fmt.Sprintf("%d / %d", m.passing+1, len(p.Passes)), Width/2, StillHeight+60, 6)
	}
	return nil
}

// glyphs are the counter's letters, five by seven points, a row a number, the
// left point the highest bit. Drawn for this program.
var glyphs = map[rune][7]byte{
	'0': {0b01110, 0b10001, 0b10001, 0b10101, 0b10001, 0b10001, 0b01110},
	'1': {0b00100, 0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110},
	'2': {0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111},
	'3': {0b11110, 0b00001, 0b00001, 0b01110, 0b00001, 0b00001, 0b11110},
	'4': {0b00010, 0b00110, 0b01010, 0b10010, 0b11111, 0b00010, 0b00010},
	'5': {0b11111, 0b10000, 0b11110, 0b00001, 0b00001, 0b10001, 0b01110},
	'6': {0b00110, 0b01000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110},
	'7': {0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b01000, 0b01000},
	'8': {0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110},
	'9': {0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00010, 0b01100},
	':': {0, 0b00100, 0b00100, 0, 0b00100, 0b00100, 0},
	';': {0, 0b00100, 0b00100, 0, 0b00100, 0b00100, 0b01000},
	'.': {0, 0, 0, 0, 0, 0b01100, 0b01100},
	'/': {0b00001, 0b00010, 0b00010, 0b00100, 0b01000, 0b01000, 0b10000},
	's': {0, 0, 0b01111, 0b10000, 0b01110, 0b00001, 0b11110},
	'f': {0b00110, 0b01001, 0b01000, 0b11100, 0b01000, 0b01000, 0b01000},
	' ': {},
}

const advance = 6 // points from letter to letter

// drawText writes text in white, its middle at x, y, each point of a letter a
// square of scale. What lies outside is cut off.
func drawText(dst []byte, text string, x, y, scale int) {
	left, top := x-(len(text)*advance-1)*scale/2, y-7*scale/2
	for k, c := range text {
		for row, bits := range glyphs[c] {
			for col := range 5 {
				if bits>>(4-col)&1 == 1 {
					fillSquare(dst, left+(k*advance+col)*scale, top+row*scale, scale)
				}
			}
		}
	}
}

func fillSquare(dst []byte, x, y, size int) {
	for r := max(y, 0); r < min(y+size, Height); r++ {
		for c := max(x, 0); c < min(x+size, Width); c++ {
			dst[r*Width+c] = 255
		}
	}
}
