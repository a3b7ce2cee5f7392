package audiofile

import (
	"bytes"
	"fmt"
	"io"
	"testing"
)

func BenchmarkWrite(b *testing.B) {
	for _, fm := range []Format{{48000, 1, 16, false}, {48000, 1, 24, false}, {48000, 1, 32, true}} {
		b.Run(fmt.Sprintf("%d-bit float=%v", fm.Bits, fm.Float), func(b *testing.B) {
			w, err := NewWriter(&countingFile{}, fm, WriterOptions{})
			must(b, err)
			x := sine(440, 0.5, fm, 4096)
			b.SetBytes(int64(len(x) * fm.FrameBytes()))
			b.ReportAllocs()
			for b.Loop() {
				must(b, w.Write(x))
			}
		})
	}
}

func BenchmarkRead(b *testing.B) {
	for _, fm := range []Format{{48000, 1, 16, false}, {48000, 1, 24, false}, {48000, 1, 32, true}} {
		b.Run(fmt.Sprintf("%d-bit float=%v", fm.Bits, fm.Float), func(b *testing.B) {
			var m memFile
			w, err := NewWriter(&m, fm, WriterOptions{})
			must(b, err)
			must(b, w.Write(sine(440, 0.5, fm, 1<<18)))
			must(b, w.Close())
			r, err := NewWAVReader(bytes.NewReader(m.b), int64(len(m.b)), "x")
			must(b, err)
			x := make([]float32, 4096)
			b.SetBytes(int64(len(x) * fm.FrameBytes()))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := r.Read(x); err == io.EOF {
					must(b, r.SeekFrame(0))
				}
			}
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	for _, c := range fixtures {
		b.Run(c.file, func(b *testing.B) {
			data := read(b, c.file)
			for b.Loop() {
				if _, frames, err := drain(data); err != nil || frames != c.frames {
					b.Fatal(err, frames)
				}
			}
			b.ReportMetric(float64(c.frames)/float64(c.fm.SampleRate)*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}
