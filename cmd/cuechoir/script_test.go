package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"cuechoir/engine/part"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/decoder"
	"cuechoir/internal/reftool"
	"cuechoir/internal/singer"
	example "cuechoir/projects-example"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	decoder.ServeIfAsked()
	testscript.Main(m, map[string]func(){
		"cuechoir": func() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// TestScripts runs testdata/script: the specification of the command line.
func TestScripts(t *testing.T) {
	for _, tool := range []string{"ffmpeg", "ffprobe", "python3"} { // lines of scripts ask for these
		reftool.Find(t, tool)
	}
	cache, err := os.UserCacheDir() // scripts have no home; the decoder's cache outlives them
	if err != nil {
		cache = t.TempDir()
	}
	if c := os.Getenv("CUECHOIR_CACHE"); c != "" {
		cache = c
	} else {
		cache = filepath.Join(cache, "cuechoir")
	}
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("testdata", "script"),
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"trailer":  writeTrailer,
			"tone":     writeTone,
			"sung":     writeSung,
			"siren":    writeSiren,
			"midi":     writeMIDI,
			"noise":    writeNoise,
			"truncate": truncateFile,
			"samples":  checkSamples,
			"exitcode": checkExitCode,
		},
		Condition: func(name string) (bool, error) {
			if name != "race" {
				return false, fmt.Errorf("unknown condition %q", name)
			}
			return raceOn, nil
		},
		Setup: func(env *testscript.Env) error {
			env.Setenv("CUECHOIR_CACHE", cache)
			env.Setenv("XDG_CONFIG_HOME", filepath.Join(env.WorkDir, "config"))
			return nil
		},
	})
}

// trailer FILE: the example's trailer.
func writeTrailer(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), example.Trailer(), 0o644))
}

// tone FILE SAMPLERATE SAMPLES: a steady, quiet tone.
func writeTone(ts *testscript.TestScript, neg bool, args []string) {
	sr, n := atoi(ts, args[1]), atoi(ts, args[2])
	v := singer.Voice{Seed: 1, SampleRate: sr}
	writeMono(ts, args[0], sr, v.Sing([]singer.Note{{Length: int64(n), Key: 57, Vowel: "a", LevelDB: -20}}, 0, int64(n)))
}

// sung FILE SAMPLERATE LENGTH START:LENGTH:KEY...: a voice that sings notes at
// exact samples; KEY is a MIDI number and may have a fraction.
func writeSung(ts *testscript.TestScript, neg bool, args []string) {
	sr, n := atoi(ts, args[1]), atoi(ts, args[2])
	v := singer.Voice{Seed: 7, SampleRate: sr, NoiseDB: -65}
	var notes []singer.Note
	for _, a := range args[3:] {
		p := strings.Split(a, ":")
		if len(p) != 3 {
			ts.Fatalf("%q is not START:LENGTH:KEY", a)
		}
		key, err := strconv.ParseFloat(p[2], 64)
		ts.Check(err)
		notes = append(notes, singer.Note{Start: int64(atoi(ts, p[0])), Length: int64(atoi(ts, p[1])), Key: key, Vowel: "a", LevelDB: -18})
	}
	writeMono(ts, args[0], sr, v.Sing(notes, 0, int64(n)))
}

// siren FILE SAMPLERATE LOW HIGH SECONDS: a glide between MIDI keys and back, so
// many seconds each way, with a second of room on either side.
func writeSiren(ts *testscript.TestScript, neg bool, args []string) {
	sr, low, high, seconds := atoi(ts, args[1]), atoi(ts, args[2]), atoi(ts, args[3]), atoi(ts, args[4])
	way, wide := int64(sr*seconds), float64(100*(high-low))
	v := singer.Voice{Seed: 5, SampleRate: sr, NoiseDB: -65}
	writeMono(ts, args[0], sr, v.Sing([]singer.Note{{Start: int64(sr), Length: way, Key: float64(low), GlideCents: wide, Vowel: "u"},
		{Start: int64(sr) + way, Length: way, Key: float64(high), GlideCents: -wide, Vowel: "u"}}, 0, 2*way+2*int64(sr)))
}

// midi FILE START:LENGTH:PITCH...: a Standard MIDI File of one track, in
// quarters. With ! before it the track claims to hold four gigabytes.
func writeMIDI(ts *testscript.TestScript, neg bool, args []string) {
	var p part.Part
	for _, a := range args[1:] {
		n, err := part.ParseNote(strings.ReplaceAll(a, ":", " "))
		ts.Check(err)
		p.Notes = append(p.Notes, n)
	}
	var b bytes.Buffer
	ts.Check(part.WriteSMF(&b, []part.Part{p}, part.Conductor{}))
	data := b.Bytes()
	if neg { // the length of the last track becomes a lie
		at := bytes.LastIndex(data, []byte("MTrk"))
		copy(data[at+4:], "\xff\xff\xff\xf0")
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o644))
}

// noise FILE BYTES: bytes without a meaning, the same on each run.
func writeNoise(ts *testscript.TestScript, neg bool, args []string) {
	b := make([]byte, atoi(ts, args[1]))
	rand.NewChaCha8([32]byte{9}).Read(b)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o644))
}

func writeMono(ts *testscript.TestScript, name string, sr int, x []float32) {
	ts.Check(audiotest.Write(ts.MkAbs(name), sr, 24, x))
}

// truncate FILE BYTES: cut the file to its first bytes.
func truncateFile(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(os.Truncate(ts.MkAbs(args[0]), int64(atoi(ts, args[1]))))
}

// samples FILE N: the WAV holds exactly N frames.
func checkSamples(ts *testscript.TestScript, neg bool, args []string) {
	r, err := audiofile.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer r.Close()
	if got, want := r.Frames(), int64(atoi(ts, args[1])); got != want || r.Truncated() {
		ts.Fatalf("%s holds %d samples (truncated %v), want %d", args[0], got, r.Truncated(), want)
	}
}

// exitcode N COMMAND...: cuechoir ends with exit code N.
func checkExitCode(ts *testscript.TestScript, neg bool, args []string) {
	err := ts.Exec(args[1], args[2:]...)
	got := "0"
	if err != nil {
		got = strings.TrimPrefix(err.Error(), "exit status ")
	}
	if got != args[0] {
		ts.Fatalf("exit code %s, want %s", got, args[0])
	}
}

func atoi(ts *testscript.TestScript, s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		ts.Fatalf("%v", fmt.Errorf("%q: %w", s, err))
	}
	return n
}
