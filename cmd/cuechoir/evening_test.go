package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/part"
	"cuechoir/engine/score"
	"cuechoir/engine/timecode"
	"cuechoir/internal/audiofile"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/reftool"
	"cuechoir/internal/singer"
	example "cuechoir/projects-example"
)

// terminal is a real terminal of 80 by 24, kept by tmux on a socket of its own.
type terminal struct {
	t      *testing.T
	socket string
}

func (x *terminal) tmux(args ...string) string {
	x.t.Helper()
	out, err := exec.Command("tmux", append([]string{"-S", x.socket, "-f", "/dev/null"}, args...)...).CombinedOutput()
	if err != nil {
		x.t.Fatalf("tmux %v: %v %s", args, err, out)
	}
	return string(out)
}

func (x *terminal) screen() string { return x.tmux("capture-pane", "-p") }

// see waits until all of these words stand on the screen.
func (x *terminal) see(words ...string) {
	x.t.Helper()
	for end := time.Now().Add(40 * time.Second); ; {
		screen := x.screen()
		missing := ""
		for _, w := range words {
			if !strings.Contains(screen, w) {
				missing = w
			}
		}
		if missing == "" {
			return
		}
		if time.Now().After(end) {
			x.t.Fatalf("%q never comes up:\n%s", missing, screen)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func (x *terminal) keys(keys ...string) {
	x.t.Helper()
	x.tmux(append([]string{"send-keys"}, keys...)...)
}

func (x *terminal) types(text string) {
	x.t.Helper()
	x.tmux("send-keys", "-l", text)
}

// An evening at the screen, as a person has it, in a real terminal: the film is
// named, hits are marked, a map is chosen, a layer is sung from a file in the
// place of the microphone, its worst note is sung again and laid over, the mix is
// moved, and the stem lasts exactly as long as the film.
func TestEveningAtTheScreen(t *testing.T) {
	if testing.Short() {
		t.Skip("an evening takes ten seconds")
	}
	if raceOn {
		t.Skip("LOUD SKIP: an evening waits for its screen, which comes too late under the race detector; tui/desk is tested under it")
	}
	reftool.Need(t, "tmux")
	dir := t.TempDir()
	film, voice, folder := filepath.Join(dir, "trailer.mp4"), filepath.Join(dir, "voice.wav"), filepath.Join(dir, "evening")
	if err := os.WriteFile(film, example.Trailer(), 0o644); err != nil {
		t.Fatal(err)
	}
	x := openTerminal(t, dir, fmt.Sprintf("./cuechoir ./evening --silent --quiet --input %s; echo it ended with $?; sleep 60", voice))
	x.see("Reference file")
	x.types("no-such-film.mp4")
	x.keys("Enter")
	x.see("That did not do")
	x.types(film)
	x.keys("Enter")
	x.see("[Spot]", "gate frame 0")

	x.keys("c", "c", "m")
	x.see("must-hit at frame 143")
	x.keys("c", "c", "m")
	x.see("must-hit at frame 355")
	x.keys("u")
	x.see("taken back: must-hit at frame 355")
	x.keys("U")
	x.see("done again")
	x.keys("2", "Enter")
	x.see("[Map]", "maps offered")
	x.keys("k")
	x.see("map kept")

	notes := addLayer(t, folder)
	sungTo(t, folder, voice, notes, 2)
	x.keys("C-r", "3")
	x.see("[Sing]", "no takes yet")
	x.keys("Enter")
	x.see("take 001 of alto is kept")

	x.keys("4")
	x.see("[Check]", "flat")
	x.keys("w")
	sungTo(t, folder, voice, notes, -1)
	x.keys("Enter")
	x.see("[Sing]", "of alto: enter counts in")
	x.keys("Enter")
	x.see("take 002 of alto is kept", "patch")
	x.keys("o", "p")
	x.see("of alto sound from take 002")
	x.keys("4")
	x.see("[Check]", "nothing to mend")

	x.keys("5")
	x.see("[Mix]", "dBTP")
	x.keys(".")
	x.see("alto at 1.0 dB")
	x.keys("6", "Enter")
	x.see("[Bounce]", "exactly the reference's", "stem.wav")
	x.keys("q")
	x.see("it ended with 0")

	f, err := score.Open(folder)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	stem, format, err := audiofile.ReadAll(f.Path("bounces/stem.wav"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := int64(len(stem) / format.Channels); got != s.Length() || got != 3_003_000 { // 1500 frames of 2002 samples
		t.Errorf("the stem has %d samples, the reference %d", got, s.Length())
	}
}

// openTerminal runs a command line in a terminal, in dir, in which cuechoir is
// this program.
func openTerminal(t *testing.T, dir, line string) *terminal {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(self, filepath.Join(dir, "cuechoir")); err != nil {
		t.Fatal(err)
	}
	short, err := os.MkdirTemp("", "cc") // a socket's path has little room
	if err != nil {
		t.Fatal(err)
	}
	x := &terminal{t: t, socket: filepath.Join(short, "s")}
	t.Cleanup(func() {
		exec.Command("tmux", "-S", x.socket, "kill-server").Run() // gone already when the screen has ended
		os.RemoveAll(short)
	})
	x.tmux("new-session", "-d", "-x", "80", "-y", "24", "-c", dir, "env COLORTERM=truecolor XDG_CONFIG_HOME="+filepath.Join(dir, "config")+" sh -c '"+line+"'")
	return x
}

// addLayer adds the layer alto with four notes of a bar each, by the command.
func addLayer(t *testing.T, folder string) []part.Note {
	t.Helper()
	var p part.Part
	for i, key := range []uint8{57, 60, 64, 62} {
		p.Notes = append(p.Notes, part.Note{Start: timecode.Int(int64(4 * (i + 1))), Length: timecode.Int(3), Key: key})
	}
	f, err := os.Create(filepath.Join(filepath.Dir(folder), "alto.mid"))
	if err != nil {
		t.Fatal(err)
	}
	if err := part.WriteSMF(f, []part.Part{p}, part.Conductor{}); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	var out, errs strings.Builder
	if code := run([]string{"-s", folder, "layer", "add", "alto", "--part", f.Name()}, strings.NewReader(""), &out, &errs); code != 0 {
		t.Fatalf("layer add ended with %d: %s", code, errs.String())
	}
	return p.Notes
}

// sungTo writes a voice that sings the notes on the score's map; one of them,
// when it is among them, 60 cents flat.
func sungTo(t *testing.T, folder, path string, notes []part.Note, flat int) {
	t.Helper()
	f, err := score.Open(folder)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	grid, err := job.Grid(s)
	if err != nil {
		t.Fatal(err)
	}
	var sung []singer.Note
	for i, x := range job.Targets(s, grid, notes) {
		key := x.Key
		if i == flat {
			key -= 0.6
		}
		sung = append(sung, singer.Note{Start: x.Start, Length: x.End - x.Start, Key: key, Vowel: "a", LevelDB: -18})
	}
	v := singer.Voice{Seed: 3, SampleRate: s.SampleRate, NoiseDB: -65}
	if err := audiotest.Write(path, s.SampleRate, 24, v.Sing(sung, 0, s.Length())); err != nil {
		t.Fatal(err)
	}
}
