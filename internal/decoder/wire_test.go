package decoder

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"cuechoir/internal/fault"
)

func TestRecordsComeBack(t *testing.T) {
	var b bytes.Buffer
	w := &recordWriter{w: bufio.NewWriter(&b)}
	long := bytes.Repeat([]byte("0123456789"), 20_000)
	for _, p := range [][]byte{nil, []byte("x"), long} {
		if err := w.put(recOut, p); err != nil {
			t.Fatal(err)
		}
	}
	var buf, all []byte
	records := 0
	for {
		k, p, err := readRecord(&b, &buf)
		if err == io.EOF {
			break
		}
		if err != nil || k != recOut {
			t.Fatal(k, err)
		}
		records++
		all = append(all, p...)
	}
	if string(all) != "x"+string(long) || records != 2+4 {
		t.Errorf("%d bytes in %d records", len(all), records)
	}
}

func FuzzRecord(f *testing.F) {
	f.Add([]byte("o\x03\x00\x00\x00abc"))
	f.Add([]byte("o\xff\xff\xff\xff"))
	f.Add([]byte("x\x04\x00\x00\x00\x01"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		r := bytes.NewReader(b)
		var buf []byte
		for {
			_, p, err := readRecord(r, &buf)
			if err != nil {
				return
			}
			if len(p) > len(b) || cap(buf) > maxRecord {
				t.Fatalf("%d bytes out of %d", len(p), len(b))
			}
		}
	})
}

func FuzzLog(f *testing.F) {
	f.Add("[h264 @ 0x55] [error] no frame!\n[info] x\r\npart")
	f.Add("\n\n")
	f.Add(strings.Repeat("long", 5000))
	f.Fuzz(func(t *testing.T, s string) {
		whole, parts := "", ""
		a := &lineSplitter{emit: func(l string) { whole += l + "\n" }}
		a.write([]byte(s))
		a.flush()
		b := &lineSplitter{emit: func(l string) { parts += l + "\n"; parseLog(l) }}
		for i := 0; i < len(s); i += 3 {
			b.write([]byte(s[i:min(i+3, len(s))]))
		}
		b.flush()
		if whole != parts {
			t.Fatalf("cut differently: %q and %q", whole, parts)
		}
	})
}

func TestParseLog(t *testing.T) {
	for _, c := range []struct {
		in    string
		level Level
		out   string
	}{
		{"[h264 @ 0x1] [error] bad", Error, "[h264 @ 0x1] bad"},
		{"[error] x.mp4: Invalid data", Error, "x.mp4: Invalid data"},
		{"[fatal] out", Error, "out"},
		{"[mov,mp4 @ 0x1] [warning] hm", Warning, "[mov,mp4 @ 0x1] hm"},
		{"[info]   title : [error] no", Info, "  title : [error] no"},
		{"plain", Info, "plain"},
	} {
		if l, s := parseLog(c.in); l != c.level || s != c.out {
			t.Errorf("%q: %v %q", c.in, l, s)
		}
	}
}

func TestComplaintsAreInWords(t *testing.T) {
	for in, want := range map[string]string{
		"[mov,mp4 @ 0x5632fbce0680] moov atom not found": "mov,mp4: moov atom not found",
		"[h264 @ 0000aa10] no frame!":                    "h264: no frame!",
		"file:/films/a b/x: y.mp4: Invalid data found":   "Invalid data found",
		"/in/input.mp4: Invalid data found":              "Invalid data found",
		"[in order] this @ 0x1 stays":                    "[in order] this @ 0x1 stays",
		"file:/films/another.mp4: Permission denied":     "file:/films/another.mp4: Permission denied",
	} {
		if got := inWords(in, "a b/x: y.mp4"); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

func TestTooOld(t *testing.T) {
	for v, old := range map[string]bool{
		"ffmpeg version 5.1.9-0+deb12u1 Copyright (c)": false, "ffmpeg version n7.1 Copyright": false,
		"ffmpeg version N-118-gabc Copyright": false, "ffmpeg version 2024-10-02-git-358fdf3083 ": false,
		"ffmpeg version 4.4.2-0ubuntu0.22.04.1": true, "ffmpeg version n5.0.3": true, "": false,
		"ffmpeg version 6.0": false, "ffmpeg version 10.2": false,
	} {
		if tooOld(v) != old {
			t.Errorf("%q: %v", v, !old)
		}
	}
}

func TestPlainExt(t *testing.T) {
	for in, want := range map[string]string{"a.MP4": ".mp4", "a": "", "a.b/c": "", "a.мп4": "", "a.%00d": "", "x.tar.gz": ".gz", "a.": "", "a.toolongext": ""} {
		if got := plainExt(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// TestChildWithoutParentEnds: a closed pipe ends the service at once, as does
// a parent that speaks another language.
func TestChildWithoutParentEnds(t *testing.T) {
	for _, in := range []string{"", "GET / HTTP/1.0\r\n\r\n", "\x05\xff\xff\xff\xff\xff\xff\xff\xff"} {
		var out bytes.Buffer
		if code := serve(strings.NewReader(in), &out); code == 0 {
			t.Errorf("%q: served", in)
		}
	}
}

func TestNoDecoderInsideADecoder(t *testing.T) {
	t.Setenv(childEnv, "1")
	if _, err := Open(context.Background(), os.Args[0], Options{Engine: Embedded}); fault.KindOf(err) != fault.Unexpected {
		t.Errorf("%v", err)
	}
}

// TestCorruptedHeadersEnd damages a good MP4 at places drawn from printed
// seeds: each reading ends in time, with frames or with words.
func TestCorruptedHeadersEnd(t *testing.T) {
	good := encodeH264(t, film(6))
	for seed := range uint64(8) {
		rng := rand.New(rand.NewPCG(seed, 7))
		b := bytes.Clone(good)
		for range 1 + rng.IntN(12) {
			b[rng.IntN(min(len(b), 1500))] = byte(rng.Uint32())
		}
		if seed%4 == 3 {
			b = b[:rng.IntN(len(b))+1]
		}
		engine := Auto
		if seed%4 == 0 {
			engine = Embedded
		}
		begun := time.Now()
		s := open(t, write(t, "bad.mp4", b), Options{Engine: engine, Timeout: 15 * time.Second})
		res, err := s.Run(t.Context(), Step{Tool: "ffmpeg", After: []string{"-f", "rawvideo", "-fs", "10000000", "pipe:1"}})
		t.Logf("seed %d, %s: exit %d, %d messages, %v in %v", seed, s.Engine(), res.ExitCode, len(res.Errors), err, time.Since(begun))
		if res.ExitCode != 0 && len(res.Errors) == 0 && err == nil {
			t.Errorf("seed %d: failed without a word", seed)
		}
	}
}
