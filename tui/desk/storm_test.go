package desk

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"testing"
	"time"

	"cuechoir/engine/job"
	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/tui"

	"github.com/gdamore/tcell/v2"
)

// chain is a desk that holds each edit against the last: the document is, before
// an edit, what the edit before it left. Runs that edit are edits too.
type chain struct {
	*Desk
	t     testing.TB
	mu    sync.Mutex
	text  string // of the document after the last edit
	edits int
	runs  map[tui.Deed]int
}

func (c *chain) document() string {
	b, err := os.ReadFile(c.f.Path(score.FileName))
	if err != nil {
		c.t.Error(err)
	}
	return string(b)
}

func (c *chain) Do(ctx context.Context, w tui.Wish, tell func(tui.Told)) (tui.Outcome, error) {
	if w.Runs() {
		c.mu.Lock()
		c.runs[w.Do]++
		c.mu.Unlock()
	}
	if w.Runs() && w.Do != tui.DoFollow && w.Do != tui.DoFind {
		return c.Desk.Do(ctx, w, tell)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if now := c.document(); now != c.text {
		c.t.Errorf("before %+v the document is not what the last edit left", w)
	}
	out, err := c.Desk.Do(ctx, w, tell)
	after := c.document()
	if err != nil && after != c.text {
		c.t.Errorf("%+v failed (%v) and changed the document", w, err)
	}
	if err == nil && !w.Runs() {
		c.edits++
	}
	c.text = after
	return out, err
}

// Keys at random, with resizes and the mouse, on a screen over a true score: no
// panic, no edit lost, the document valid at the end, the history and every take
// sound. 3,000 keys; CUECHOIR_KEYS=100000 says how many.
func TestRandomKeysOnAScore(t *testing.T) {
	n := 3000
	if raceDetector {
		n = 500
	}
	if text := os.Getenv("CUECHOIR_KEYS"); text != "" {
		if _, err := fmt.Sscan(text, &n); err != nil {
			t.Fatal(err)
		}
	}
	f, voice := evening(t)
	if _, err := job.SolveMap(t.Context(), f, job.MapOptions{Tempo: tempo.Options{TempoBPM: 120}}); err != nil {
		t.Fatal(err)
	}
	c := &chain{Desk: New(f, Options{Silent: true, Input: voice}), t: t, runs: map[tui.Deed]int{}}
	defer c.Close()
	c.text = c.document()
	screen := tcell.NewSimulationScreen("UTF-8")
	ended := make(chan error, 1)
	go func() { ended <- tui.RunWith(t.Context(), screen, c, tui.Options{}) }()
	time.Sleep(100 * time.Millisecond) // the screen is begun by then; a key before is lost, no more
	const seed = 8
	t.Logf("seed %d, %d keys", seed, n)
	storm(screen, rand.New(rand.NewPCG(seed, 1)), n)
	// What was asked for is done before the end, and a disk takes its time.
	for end := time.After(time.Minute + time.Duration(n)*5*time.Millisecond); ; {
		screen.InjectKey(tcell.KeyEsc, 0, 0)
		screen.InjectKey(tcell.KeyCtrlC, 0, 0)
		select {
		case err := <-ended:
			if err != nil {
				t.Fatal(err)
			}
			soundAfter(t, c, n)
			return
		case <-end:
			t.Fatal("the screen does not end")
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// storm presses keys at random, but for those that quit.
func storm(screen tcell.SimulationScreen, r *rand.Rand, n int) {
	letters := []rune("fFsScChHbBvVzZaxXl()uU123456mnoOiy.,<>*kpPdgtTjwWrrnNeeee?  ü音")
	named := []tcell.Key{tcell.KeyEnter, tcell.KeyEnter, tcell.KeyEsc, tcell.KeyTab, tcell.KeyLeft, tcell.KeyRight, tcell.KeyUp, tcell.KeyDown,
		tcell.KeyHome, tcell.KeyEnd, tcell.KeyPgUp, tcell.KeyPgDn, tcell.KeyBackspace2, tcell.KeyCtrlR, tcell.KeyF7}
	for range n {
		switch k := r.IntN(80); {
		case k == 0:
			w, h := r.IntN(220), r.IntN(60)
			screen.SetSize(w, h)
			for screen.PostEvent(tcell.NewEventResize(w, h)) != nil { // ten events wait
				time.Sleep(time.Millisecond)
			}
		case k == 1:
			screen.InjectMouse(r.IntN(220), r.IntN(60), tcell.Button1, 0)
		case k == 2:
			screen.InjectMouse(0, 0, []tcell.ButtonMask{tcell.WheelUp, tcell.WheelDown}[r.IntN(2)], 0)
		case k < 20:
			screen.InjectKey(named[r.IntN(len(named))], 0, 0)
		default:
			screen.InjectKey(tcell.KeyRune, letters[r.IntN(len(letters))], 0)
		}
	}
}

// soundAfter looks at what the keys have left.
func soundAfter(t *testing.T, c *chain, n int) {
	t.Helper()
	if now := c.document(); now != c.text {
		t.Error("the document is not what the last edit left")
	}
	if _, err := c.f.Load(); err != nil {
		t.Errorf("the document is not valid: %v", err)
	}
	if err := c.f.VerifyHistory(); err != nil {
		t.Error(err)
	}
	checked, err := job.Verify(t.Context(), c.f, nil)
	if err != nil {
		t.Errorf("%v: %+v", err, checked)
	}
	t.Logf("%d edits, runs %v", c.edits, c.runs)
	if c.edits < n/200 || n >= 3000 && len(c.runs) < 2 {
		t.Errorf("only %d edits and runs %v: the keys reach nothing", c.edits, c.runs)
	}
}
