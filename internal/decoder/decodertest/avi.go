// Package decodertest makes video files with exactly known contents for tests,
// with nothing but Go: uncompressed AVI, grey (Y800) frames and 16-bit sound.
package decodertest

import (
	"bytes"
	"encoding/binary"
)

// Film is what goes into a file. Frame k begins at k*RateDen/RateNum seconds.
type Film struct {
	W, H             int // W a multiple of 4
	RateNum, RateDen int
	Frames           [][]byte // W*H bytes each, rows from the top
	SoundRate        int      // 0: no sound
	Sound            []int16  // mono
}

// AVI is the film as a file (Multimedia Programming Interface and Data
// Specifications 1.0, 1991, and its AVI chapter).
func (f Film) AVI() []byte {
	streams := 1
	if f.SoundRate > 0 {
		streams = 2
	}
	var movi bytes.Buffer
	movi.WriteString("movi")
	at := 0
	for k, frame := range f.Frames {
		writeChunk(&movi, "00db", frame)
		if f.SoundRate > 0 { // each frame is followed by the sound that it lasts
			end := min(len(f.Sound), (k+1)*f.SoundRate*f.RateDen/f.RateNum)
			if k == len(f.Frames)-1 {
				end = len(f.Sound)
			}
			writeChunk(&movi, "01wb", encode(f.Sound[at:end]))
			at = end
		}
	}
	var hdrl, avi, file bytes.Buffer
	hdrl.WriteString("hdrl")
	writeChunk(&hdrl, "avih", encode([]uint32{uint32(1e6 * f.RateDen / f.RateNum), 0, 0, 0,
		uint32(len(f.Frames)), 0, uint32(streams), 0, uint32(f.W), uint32(f.H), 0, 0, 0, 0}))
	writeChunk(&hdrl, "LIST", f.videoHeader())
	if f.SoundRate > 0 {
		writeChunk(&hdrl, "LIST", f.soundHeader())
	}
	avi.WriteString("AVI ")
	writeChunk(&avi, "LIST", hdrl.Bytes())
	writeChunk(&avi, "LIST", movi.Bytes())
	writeChunk(&file, "RIFF", avi.Bytes())
	return file.Bytes()
}

func (f Film) videoHeader() []byte {
	var b bytes.Buffer
	b.WriteString("strl")
	strh := append([]byte("vidsY800"), encode([]uint32{0, 0, 0, uint32(f.RateDen), uint32(f.RateNum), 0,
		uint32(len(f.Frames)), uint32(f.W * f.H), 0, 0, 0, 0})...)
	writeChunk(&b, "strh", strh)
	strf := encode([]uint32{40, uint32(f.W), uint32(f.H), 1 | 8<<16})
	strf = append(append(strf, "Y800"...), encode([]uint32{uint32(f.W * f.H), 0, 0, 0, 0})...)
	writeChunk(&b, "strf", strf)
	return b.Bytes()
}

func (f Film) soundHeader() []byte {
	var b bytes.Buffer
	b.WriteString("strl")
	strh := append([]byte("auds\x01\x00\x00\x00"), encode([]uint32{0, 0, 0, 1, uint32(f.SoundRate), 0,
		uint32(len(f.Sound)), 4096, 0, 2, 0, 0})...)
	writeChunk(&b, "strh", strh)
	strf := encode([]uint16{1, 1})
	strf = append(strf, encode([]uint32{uint32(f.SoundRate), uint32(2 * f.SoundRate)})...)
	writeChunk(&b, "strf", append(strf, encode([]uint16{2, 16})...))
	return b.Bytes()
}

func writeChunk(b *bytes.Buffer, id string, data []byte) {
	b.WriteString(id)
	b.Write(encode(uint32(len(data))))
	b.Write(data)
	if len(data)%2 == 1 {
		b.WriteByte(0)
	}
}

func encode(v any) []byte {
	var b bytes.Buffer
	if err := binary.Write(&b, binary.LittleEndian, v); err != nil {
		panic(err)
	}
	return b.Bytes()
}
