// Package example is a whole invented job: the trailer of a film that does not
// exist, "The Lantern of Orrow Deep", with the truth about it known exactly: its
// cuts, the hits that its music must land on, a score in fifteen layers, and a
// singer who makes known mistakes.
//
// The pictures (draw) and the sound (sound) are made by code; the command
// generate writes trailer.mp4 from them.
package example

import (
	_ "embed"

	"cuechoir/engine/cutlist"
	"cuechoir/engine/timecode"
	"cuechoir/projects-example/draw"
)

//go:embed trailer.mp4
var trailer []byte

// Title of the film that does not exist.
const Title = "The Lantern of Orrow Deep"

// Frames is the trailer's length; StartTimecode is that of frame 0.
const (
	Frames        = draw.Frames
	StartTimecode = draw.StartTimecode
)

// Rate is the trailer's frame rate.
func Rate() timecode.Rate { return draw.Rate }

// Trailer is the film: H.264 and mono AAC in MP4, 384 by 288. A copy each time.
func Trailer() []byte { return append([]byte(nil), trailer...) }

// Truth is every change of picture, exactly, in order.
func Truth() []cutlist.Cut { return draw.Cuts() }

// Span is frames From to End, End not among them.
type Span struct{ From, End int64 }

// VoiceOver is where the reference's narrator speaks.
func VoiceOver() []Span {
	return []Span{{48, 140}, {536, 622}, {984, 1040}, {1110, 1160}}
}
