package audiofile

import (
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/reftool"
)

// run runs a tool and gives what it prints.
func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return strings.TrimSpace(string(out))
}

// ffprobe gives the entries of the first stream and the tags of the file.
func ffprobe(t testing.TB, path string) map[string]string {
	t.Helper()
	entries := map[string]string{}
	for _, line := range strings.Split(run(t, "ffprobe", "-v", "error", "-show_entries",
		"stream=duration_ts,sample_rate,channels,codec_name:format_tags", "-of", "default=noprint_wrappers=1", path), "\n") {
		if k, v, ok := strings.Cut(strings.TrimSpace(line), "="); ok {
			entries[strings.TrimPrefix(k, "TAG:")] = v
		}
	}
	return entries
}

// Our files by soxi and ffprobe: the number of samples, the rate, the
// channels, and the fields of bext.
func TestWrittenFilesByReferenceTools(t *testing.T) {
	sox, ff := reftool.Find(t, "soxi") != "", reftool.Find(t, "ffprobe") != ""
	codec := map[Format]string{}
	for _, fm := range allFormats {
		codec[fm] = map[int]string{16: "pcm_s16le", 24: "pcm_s24le", 32: "pcm_s32le"}[fm.Bits]
		if fm.Float {
			codec[fm] = "pcm_f32le"
		}
	}
	bext := &Bext{Description: "the mix", Originator: "cuechoir", Date: "2026-03-01", Time: "12:34:56", TimeReference: 172800000, CodingHistory: "A=PCM"}
	for _, fm := range allFormats {
		path := writeFile(t, fm, WriterOptions{Bext: bext, Cues: []Cue{{10, "a cue"}}}, sine(440, 0.5, fm, 4801), 480)
		if sox {
			if got := run(t, "soxi", "-s", path); got != "4801" {
				t.Errorf("%v: soxi finds %s samples, want 4801", fm, got)
			}
		}
		if !ff {
			continue
		}
		got := ffprobe(t, path)
		for k, want := range map[string]string{
			"duration_ts": "4801", "codec_name": codec[fm], "comment": "the mix", "encoded_by": "cuechoir", // its names for Description and Originator
			"date": "2026-03-01", "creation_time": "12:34:56", "time_reference": "172800000", "coding_history": "A=PCM",
		} {
			if got[k] != want {
				t.Errorf("%v: ffprobe finds %s %q, want %q", fm, k, got[k], want)
			}
		}
	}
}

// Files by sox and ffmpeg in many forms, read by us: each holds the same sine.
func TestFilesOfReferenceTools(t *testing.T) {
	dir := t.TempDir()
	fm := Format{44100, 2, 24, false}
	source := writeFile(t, fm, WriterOptions{}, sine(441, 0.5, fm, 4410), 4410)
	var files [][]string
	if reftool.Find(t, "sox") != "" {
		files = append(files,
			[]string{"sox", "-D", source, "-b", "16", "OUT.wav"}, []string{"sox", "-D", source, "-b", "24", "OUT.wav"},
			[]string{"sox", "-D", source, "-b", "32", "-e", "float", "OUT.wav"}, []string{"sox", "-D", source, "-b", "8", "OUT.wav"},
			[]string{"sox", "-D", source, "-b", "24", "-c", "6", "OUT.wav"}, []string{"sox", "-D", source, "-t", "flac", "OUT.wav"})
	}
	if reftool.Find(t, "ffmpeg") != "" {
		ff := func(args ...string) []string {
			return append(append([]string{"ffmpeg", "-v", "error", "-i", source}, args...), "OUT.wav")
		}
		files = append(files, ff("-c:a", "pcm_f64le"), ff("-c:a", "pcm_s32le"), ff("-c:a", "pcm_u8"),
			ff("-c:a", "pcm_s24le", "-rf64", "always"), ff("-c:a", "pcm_s16le", "-write_bext", "1", "-metadata", "description=x"),
			ff("-f", "flac"), []string{"sh", "-c", "ffmpeg -v error -i " + source + " -c:a pcm_s24le -f wav - | cat > OUT.wav"})
	}
	for _, args := range files {
		path := filepath.Join(dir, "out.wav")
		for i, a := range args {
			args[i] = strings.ReplaceAll(a, "OUT.wav", path)
		}
		os.Remove(path)
		run(t, args[0], args[1:]...)
		x, got, err := ReadAll(path, 0)
		if err != nil {
			t.Errorf("%v: %v", args, err)
			continue
		}
		tolerance := math.Ldexp(1.01, 1-min(got.Bits, 24))
		if len(x) != 4410*got.Channels {
			t.Errorf("%v: %d samples of %v, want 4410 frames", args, len(x), got)
		}
		for i := 0; i < len(x); i += got.Channels {
			want := 0.5 * math.Sin(2*math.Pi*441*float64(i/got.Channels)/44100)
			if math.Abs(float64(x[i])-want) > tolerance {
				t.Errorf("%v: frame %d is %v, want %v", args, i/got.Channels, x[i], want)
				break
			}
		}
	}
}
