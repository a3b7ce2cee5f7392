package picture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cuechoir/engine/timecode"
	"cuechoir/internal/decoder"
	"cuechoir/internal/fault"
)

// clear fails unless an error names the file and what to do, as a fault of the
// file and not of the program.
func clear(t *testing.T, err error, path string, kinds ...fault.Kind) {
	t.Helper()
	var f *fault.Error
	if !errors.As(err, &f) || f.Mend == "" || f.File != path {
		t.Errorf("no clear error: %v", err)
		return
	}
	for _, k := range kinds {
		if f.Kind == k {
			return
		}
	}
	t.Errorf("%v is of kind %v, want one of %v", err, f.Kind, kinds)
}

// smallFilm is 24 pictures in as few bytes as x264 needs.
func smallFilm(t *testing.T, name string, more ...string) []byte {
	f := shotsAt(timecode.Rate24, 80, nil)
	f.Frames = f.Frames[:24]
	f.SoundRate = 0
	path := encode(t, f.AVI(), name, append(with264("-crf", "36", "-g", "6", "-an", "-movflags", "+faststart"), more...)...)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestCutShortAtEveryKilobyte: an end that is missing gives an error, or fewer
// pictures and a note; a transport stream says so when it ends inside a packet.
func TestCutShortAtEveryKilobyte(t *testing.T) {
	needTools(t)
	if underRace {
		t.Skip("SKIPPED: hundreds of decoder starts, and nothing that runs at the same time")
	}
	for _, name := range []string{"film.mp4", "film.mkv", "film.ts", "film.avi"} {
		whole := smallFilm(t, name)
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			read := 0
			for size := 1024; size < len(whole); size += 1024 {
				path := put(t, name, whole[:size])
				info, _, err := Analyse(t.Context(), path, Options{Engine: decoder.Native})
				if err != nil {
					clear(t, err, path, fault.Malformed, fault.Unsupported)
					continue
				}
				read++
				if info.Frames > 24 || info.Frames < 1 {
					t.Errorf("%d of %d bytes give %d frames", size, len(whole), info.Frames)
				}
				told := len(info.Notes) > 0 || name == "film.ts" && size%188 == 0 // an end between packets shows nothing
				if info.Frames < 24 && !told {
					t.Errorf("%d of %d bytes give %d of 24 frames, and nothing is told", size, len(whole), info.Frames)
				}
			}
			t.Logf("%d bytes: %d of %d stumps were read in part", len(whole), read, (len(whole)-1)/1024)
			if name == "film.ts" && read == 0 {
				t.Error("no stump of a transport stream was read")
			}
		})
	}
}

// TestEnginesOnStumps: both engines say the same of a few stumps.
func TestEnginesOnStumps(t *testing.T) {
	needTools(t)
	if underRace {
		t.Skip("SKIPPED: the embedded decoder is slow under the race detector, and its process is not looked into")
	}
	for _, name := range []string{"film.mp4", "film.mkv", "film.ts"} {
		whole := smallFilm(t, name)
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := put(t, name, whole[:len(whole)*3/5])
			said := map[decoder.Engine]string{}
			for _, e := range engines {
				info, cuts, err := Analyse(t.Context(), path, Options{Engine: e})
				if err != nil {
					clear(t, err, path, fault.Malformed, fault.Unsupported)
					said[e] = fmt.Sprint(fault.KindOf(err))
				} else {
					said[e] = fmt.Sprint(info.Frames, cuts, len(info.Notes) > 0)
				}
			}
			if said[decoder.Embedded] != said[decoder.Native] {
				t.Errorf("%v", said)
			}
		})
	}
}

// mjpegs is an AVI of four pictures of 96 by 72 points, each a JPEG.
func mjpegs(t *testing.T) []byte {
	f := shotsAt(timecode.Rate24, 80, nil)
	f.Frames, f.SoundRate = f.Frames[:4], 0
	b, err := os.ReadFile(encode(t, f.AVI(), "m.avi", "-c:v", "mjpeg", "-pix_fmt", "yuvj420p", "-huffman", "default", "-an"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// resize writes another size into the frame header of the pictures from one on
// (ITU-T T.81, B.2.2).
func resize(t *testing.T, b []byte, from int, w, h uint16) []byte {
	b = bytes.Clone(b)
	for i, n := 0, 0; ; n++ {
		k := bytes.Index(b[i:], []byte{0xff, 0xc0, 0, 17, 8, 0, 72, 0, 96})
		if k < 0 {
			if n <= from {
				t.Fatalf("found %d JPEG headers", n)
			}
			return b
		}
		i += k + 5
		if n >= from {
			binary.BigEndian.PutUint16(b[i:], h)
			binary.BigEndian.PutUint16(b[i+2:], w)
		}
	}
}

// sizeInHeaders writes another size into an AVI's own headers.
func sizeInHeaders(avi []byte, w, h uint32) []byte {
	avi = bytes.Clone(avi)
	for tag, skip := range map[string]int{"avih": 32, "strf": 4} {
		at := bytes.Index(avi, []byte(tag)) + 8 + skip
		binary.LittleEndian.PutUint32(avi[at:], w)
		binary.LittleEndian.PutUint32(avi[at+4:], h)
	}
	return avi
}

// TestLyingSizes: pictures of 16384 by 16384, from the first or from the third
// on, one of 8704 by 8704 (which FFmpeg would take) that says 96 by 72, chunks
// of two thousand million bytes, read by both engines.
func TestLyingSizes(t *testing.T) {
	needTools(t)
	jpegs := mjpegs(t)
	header := sizeInHeaders(resize(t, jpegs, 0, 16384, 16384), 16384, 16384)
	large, err := os.ReadFile(ffmpeg(t, nil, "large.avi", "-f", "lavfi", "-i", "color=s=8704x8704", "-frames:v", "1",
		"-pix_fmt", "gray", "-c:v", "png", "-compression_level", "1"))
	if err != nil {
		t.Fatal(err)
	}
	chunk := bytes.Clone(jpegs)
	second := bytes.Index(chunk[bytes.Index(chunk, []byte("00dc"))+4:], []byte("00dc")) + bytes.Index(chunk, []byte("00dc")) + 4
	binary.LittleEndian.PutUint32(chunk[second+4:], 0x7fff_fff0)
	mp4 := smallFilm(t, "film.mp4")
	count := bytes.Index(mp4, []byte("stsz")) + 12 // sample_count (ISO/IEC 14496-12, 8.7.3)
	binary.BigEndian.PutUint32(mp4[count:], 0x7fff_ffff)
	for name, c := range map[string]struct {
		file  []byte
		kinds []fault.Kind
	}{
		"giant.avi":     {header, []fault.Kind{fault.OverLimit}},
		"giant-jpg.avi": {resize(t, jpegs, 0, 16384, 16384), []fault.Kind{fault.OverLimit}},
		"hides.avi":     {sizeInHeaders(large, 96, 72), []fault.Kind{fault.OverLimit}},
		"grows.avi":     {resize(t, jpegs, 2, 16384, 16384), []fault.Kind{fault.Malformed}},
		"chunk.avi":     {chunk, []fault.Kind{fault.Malformed}},
		"count.mp4":     {mp4, []fault.Kind{fault.Malformed, fault.Unsupported}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := put(t, name, c.file)
			for _, e := range engines {
				if underRace && e == decoder.Embedded {
					continue
				}
				info, _, err := Analyse(t.Context(), path, Options{Engine: e})
				t.Logf("%s: %d frames, %q, %v", e, info.Frames, info.Notes, err)
				clear(t, err, path, c.kinds...)
			}
		})
	}
}

// TestUnknownCodec: the error names the form and what would read it.
func TestUnknownCodec(t *testing.T) {
	t.Parallel()
	f := threeShots(24, 1)
	f.SoundRate = 0
	path := put(t, "odd.avi", bytes.ReplaceAll(f.AVI(), []byte("Y800"), []byte("QZQZ")))
	each(t, func(t *testing.T, o Options) {
		_, _, err := Analyse(t.Context(), path, o)
		clear(t, err, path, fault.Unsupported)
		mend := "install a newer ffmpeg"
		if o.Engine == decoder.Embedded {
			mend = "install ffmpeg"
		}
		if text := fmt.Sprint(err); !strings.Contains(text, "QZQZ") || !strings.Contains(text, mend) {
			t.Errorf("%v", err)
		}
	})
}

// TestEndsInPacket: the three forms of transport packets.
func TestEndsInPacket(t *testing.T) {
	t.Parallel()
	for _, p := range transportPackets {
		b := make([]byte, 5*p.size)
		for i := p.sync; i < int64(len(b)); i += p.size {
			b[i] = transportSync
		}
		for _, n := range []int{len(b), len(b) - 1, len(b) - 100} {
			path := filepath.Join(t.TempDir(), "x.ts")
			if err := os.WriteFile(path, b[:n], 0o644); err != nil {
				t.Fatal(err)
			}
			if got := endsInPacket(path); got != (n != len(b)) {
				t.Errorf("%d of %d bytes in packets of %d: %v", n, len(b), p.size, got)
			}
		}
	}
	if endsInPacket(put(t, "short.ts", []byte{transportSync})) || endsInPacket(filepath.Join(t.TempDir(), "none")) {
		t.Error("a file that shows no packets ends in one")
	}
}

// TestListIsNamed: a list of other films is told as one.
func TestListIsNamed(t *testing.T) {
	t.Parallel()
	path := put(t, "film.mp4", []byte("#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nother.ts\n#EXT-X-ENDLIST\n"))
	each(t, func(t *testing.T, o Options) {
		_, err := Header(t.Context(), path, o)
		clear(t, err, path, fault.Unsupported)
		if !strings.Contains(fmt.Sprint(err), "list of other files") {
			t.Errorf("%v", err)
		}
	})
}

// TestBoxPastEnd: the boxes of a file's top level tell that its end is missing.
func TestBoxPastEnd(t *testing.T) {
	box := func(size uint32, name string, body int) []byte {
		return append(append(binary.BigEndian.AppendUint32(nil, size), name...), make([]byte, body)...)
	}
	long := slices.Concat(box(1, "mdat", 0), binary.BigEndian.AppendUint64(nil, 1<<40))
	for name, c := range map[string]struct {
		data []byte
		past bool
	}{
		"whole":               {slices.Concat(box(16, "ftyp", 8), box(40, "moov", 32)), false},
		"in the last box":     {slices.Concat(box(16, "ftyp", 8), box(41, "moov", 32)), true},
		"in a box's head":     {slices.Concat(box(16, "ftyp", 8), []byte{0, 0, 0}), true},
		"a long size":         {slices.Concat(box(16, "ftyp", 8), long), true},
		"the last to the end": {slices.Concat(box(16, "ftyp", 8), box(0, "mdat", 9)), false},
		"no box":              {slices.Concat(box(16, "ftyp", 8), box(3, "mdat", 9)), false},
		"boxes without end":   {bytes.Repeat(box(8, "free", 0), 3000), false},
	} {
		path := filepath.Join(t.TempDir(), "x.mp4")
		if err := os.WriteFile(path, c.data, 0o600); err != nil {
			t.Fatal(err)
		}
		if got := boxPastEnd(path); got != c.past {
			t.Errorf("%s: %v", name, got)
		}
	}
}
