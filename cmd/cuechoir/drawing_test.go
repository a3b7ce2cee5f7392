package main

import (
	"context"
	"encoding/binary"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"cuechoir/engine/score"
	"cuechoir/internal/audiofile/audiotest"
	"cuechoir/internal/device"
	"cuechoir/internal/pulsetest"
	"cuechoir/tui"
	"cuechoir/tui/desk"

	"github.com/gdamore/tcell/v2"
)

// listeningDesk keeps what came of each playing.
type listeningDesk struct {
	tui.Desk
	mu    sync.Mutex
	plays []tui.Outcome
	began chan bool
	once  sync.Once
	up    chan bool // closed by the first wish, which a screen makes that stands
}

func (d *listeningDesk) Do(ctx context.Context, w tui.Wish, tell func(tui.Told)) (tui.Outcome, error) {
	d.once.Do(func() { close(d.up) })
	heard := func(t tui.Told) {
		if w.Do == tui.DoPlay && t.At > 0 {
			select {
			case d.began <- true:
			default:
			}
		}
		tell(t)
	}
	out, err := d.Desk.Do(ctx, w, heard)
	if w.Do == tui.DoPlay && err == nil {
		d.mu.Lock()
		d.plays = append(d.plays, out)
		d.mu.Unlock()
	}
	return out, err
}

// TestRealAudioBesideDrawing: a tone plays through a sound server while the
// screen is drawn anew for every key, some thirty a second, at 200x50, and
// resized: what comes out of the server has no gap, and nothing was late. A
// machine that stalls is given some tries.
func TestRealAudioBesideDrawing(t *testing.T) {
	if !pulsetest.Required() {
		t.Skip("LOUD SKIP: beside other work sound slips for other reasons; set CUECHOIR_REQUIRE_AUDIO=1 to hear it beside drawing alone")
	}
	pulsetest.Start(t)
	parec, err := exec.LookPath("parec")
	if err != nil {
		t.Skip("LOUD SKIP: parec is not installed, so what comes out of the sound server is not heard")
	}
	dir := filepath.Join(t.TempDir(), "s")
	tone := filepath.Join(t.TempDir(), "tone.wav")
	x := make([]float32, 48000*20)
	for i := range x {
		x[i] = float32(0.3 * math.Sin(2*math.Pi*440*float64(i)/48000))
	}
	if err := audiotest.Write(tone, 48000, 24, x); err != nil {
		t.Fatal(err)
	}
	command(t, "new", dir, "--reference", tone, "--rate", "24", "--quiet")
	const tries = 5
	for try := 1; ; try++ {
		late, gap, loud := playAndDraw(t, parec, dir)
		t.Logf("try %d: %d playings late, the longest gap %.1f ms in %.1f s of tone", try, late, gap, loud)
		if late == 0 && gap < 1.5 && loud > 3 {
			return
		}
		if try == tries {
			t.Fatalf("in %d tries sound was never whole beside drawing", tries)
		}
	}
}

// playAndDraw plays for some seconds under a storm of keys, and gives how many
// playings were late, the longest gap in ms and the seconds from the first to
// the last of the tone.
func playAndDraw(t *testing.T, parec, dir string) (late int, gapMS, loud float64) {
	raw, err := os.Create(filepath.Join(t.TempDir(), "heard.raw"))
	if err != nil {
		t.Fatal(err)
	}
	defer raw.Close()
	listen := exec.Command(parec, "--device=cc.monitor", "--format=s16le", "--rate=48000", "--channels=1", "--raw")
	listen.Stdout = raw
	listen.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := listen.Start(); err != nil {
		t.Fatal(err)
	}
	f, err := score.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d := desk.New(f, desk.Options{Device: device.Options{Output: "cc"}})
	defer d.Close()
	ear := &listeningDesk{Desk: d, began: make(chan bool, 1), up: make(chan bool)}
	screen := tcell.NewSimulationScreen("UTF-8")
	ended := make(chan error, 1)
	go func() { ended <- tui.RunWith(t.Context(), screen, ear, tui.Options{}) }()
	<-ear.up
	key := func(r rune) { screen.InjectKey(tcell.KeyRune, r, 0) }
	pressUntilSound(t, ear, key)
	began := time.Now()
	for i := 0; time.Since(began) < 4*time.Second; i++ {
		key([]rune("zZ?lvV")[i%6]) // none of them moves the film, which would start the playing anew
		if i%20 == 0 {
			w, h := 200-i%40, 50-i%7
			screen.SetSize(w, h)
			_ = screen.PostEvent(tcell.NewEventResize(w, h)) // a full queue drops one: others follow
		}
		time.Sleep(33 * time.Millisecond)
	}
	key('q')
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond)
	listen.Process.Signal(syscall.SIGTERM)
	listen.Wait()
	ear.mu.Lock()
	defer ear.mu.Unlock()
	for _, o := range ear.plays {
		if strings.Contains(o.News, "late") {
			late++
		}
	}
	heard, err := os.ReadFile(raw.Name())
	if err != nil {
		t.Fatal(err)
	}
	gapMS, loud = longestGap(heard)
	return late, gapMS, loud
}

// pressUntilSound starts the playing; the first time a caution is read first.
func pressUntilSound(t *testing.T, d *listeningDesk, key func(rune)) {
	t.Helper()
	for range 20 {
		key(' ')
		select {
		case <-d.began:
			return
		case <-time.After(1500 * time.Millisecond):
		}
	}
	t.Fatal("nothing plays")
}

// longestGap is the longest run of near silence between the first and the last
// loud sample of 16-bit mono at 48 kHz, in ms, and the time between those in
// seconds. A tone of 440 Hz is below a hundredth of its crest for a few samples
// at a time.
func longestGap(raw []byte) (gapMS, seconds float64) {
	const floor = 100
	first, last, gap, most := -1, -1, 0, 0
	for i := 0; i+1 < len(raw); i += 2 {
		v := int(int16(binary.LittleEndian.Uint16(raw[i:])))
		if v < floor && v > -floor {
			gap++
			continue
		}
		if first < 0 {
			first = i / 2
		} else {
			most = max(most, gap)
		}
		last, gap = i/2, 0
	}
	if first < 0 {
		return math.Inf(1), 0
	}
	return float64(most) / 48, float64(last-first) / 48000
}
