package job

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"cuechoir/engine/score"
	"cuechoir/engine/tempo"
	"cuechoir/internal/decoder/decodertest"
	"cuechoir/internal/reftool"
)

// twoShots is a film of two shots of 40 frames, a cut between them.
func twoShots() []byte {
	film := decodertest.Film{W: 64, H: 48, RateNum: 25, RateDen: 1}
	for k := range 80 {
		pix := make([]byte, 64*48)
		for i := range pix {
			x, y := i%64, i/64
			if pix[i] = byte(40 + 3*(x+k%40/8)); k >= 40 {
				pix[i] = byte(220 - 4*y)
			}
		}
		film.Frames = append(film.Frames, pix)
	}
	return film.AVI()
}

// delivered hands over a sung score of that film.
func delivered(t *testing.T) (string, *score.Score) {
	t.Helper()
	f, _ := scoreBeside(t, twoShots())
	s, err := f.Edit("a layer", func(s *score.Score) error {
		s.Title = `Gulls & "Nets" <1>`
		s.Layers = append(s.Layers, score.Layer{Name: "alto"})
		s.Hits = append(s.Hits, tempo.Hit{Frame: 40, Must: true, Lands: tempo.LandsBeat, Name: "the <door>"})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, s.Length())
	for i := range x {
		x[i] = float32(0.2 * math.Sin(2*math.Pi*220*float64(i)/48000))
	}
	addTake(t, f, x, 0)
	out := filepath.Join(t.TempDir(), "hand")
	if _, err := Deliver(t.Context(), f, DeliverOptions{Folder: out}); err != nil {
		t.Fatal(err)
	}
	return out, s
}

// seen is what a browser finds on the page.
type seen struct {
	Duration        float64
	Error           bool
	Widths          []int // of the pictures, in their own points
	Named           bool  // each button and picture says what it is
	Beyond          int   // points by which the page is wider than its window
	Cue, Paused     []float64
	Title, Hit      string
	Asked, Breaches []string // what was loaded, and what the page's own rule stopped
}

// look is put behind the page: it waits for the sound, presses each button,
// and writes what it finds.
const look = `<pre id="seen"></pre><script>
const breaches = [];
document.addEventListener("securitypolicyviolation", (e) => breaches.push(e.blockedURI));
addEventListener("load", async () => {
  const stem = document.getElementById("stem"), found = {};
  for (let i = 0; i < 200 && stem.readyState < 3 && !stem.error; i++) { await new Promise((r) => setTimeout(r, 20)); }
  found.Duration = stem.duration; found.Error = !!stem.error;
  found.Widths = [...document.images].map((i) => i.naturalWidth);
  found.Named = [...document.images].every((i) => i.alt) && [...document.querySelectorAll("button")].every((b) => b.getAttribute("aria-label"));
  found.Beyond = document.documentElement.scrollWidth - innerWidth;
  found.Cue = []; found.Paused = [];
  for (const b of document.querySelectorAll("button")) {
    b.click(); found.Cue.push(stem.currentTime); found.Paused.push(+stem.paused);
    b.click(); found.Paused.push(+stem.paused);
  }
  found.Title = document.querySelector("h1").textContent;
  found.Hit = document.querySelector("li.must").textContent;
  found.Asked = performance.getEntriesByType("resource").map((r) => r.name.slice(0, 40));
  found.Breaches = breaches;
  document.getElementById("seen").textContent = JSON.stringify(found);
});
</script>`

var seenText = regexp.MustCompile(`<pre id="seen">(.*?)</pre>`)

// browse opens a page in a browser without a window.
func browse(t *testing.T, page string, width int) seen {
	t.Helper()
	args := []string{"--headless=new", "--no-sandbox", "--disable-gpu", "--user-data-dir=" + filepath.Join(t.TempDir(), "profile"),
		"--host-resolver-rules=MAP * ~NOTFOUND", "--autoplay-policy=no-user-gesture-required", "--mute-audio",
		fmt.Sprintf("--window-size=%d,800", width), "--virtual-time-budget=20000", "--dump-dom", "file://" + page}
	cmd := exec.CommandContext(t.Context(), reftool.Need(t, "chromium"), args...)
	cmd.WaitDelay = 10 * time.Second
	dom, err := cmd.Output()
	if err != nil {
		t.Fatalf("the browser: %v", err)
	}
	m := seenText.FindSubmatch(dom)
	if m == nil {
		t.Fatalf("nothing was found on the page: %.500s", dom)
	}
	var s seen
	if err := json.Unmarshal([]byte(html.UnescapeString(string(m[1]))), &s); err != nil {
		t.Fatalf("%v: %s", err, m[1])
	}
	return s
}

// The cue sheet as a browser shows it, alone in a folder: its sound is as long
// as the stem, its pictures are there, its buttons go to their shots, nothing is
// asked for from outside, and it fits a telephone.
func TestCueSheetInABrowser(t *testing.T) {
	reftool.Need(t, "chromium")
	out, s := delivered(t)
	page, err := os.ReadFile(filepath.Join(out, "cuesheet.html"))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(page, []byte("http:")) || bytes.Contains(page, []byte("https:")) {
		t.Error("the page names an address outside itself")
	}
	alone := filepath.Join(t.TempDir(), "page.html")
	write(t, alone, []byte(strings.Replace(string(page), "</body>", look+"</body>", 1)))
	frame := 1 / 25.0
	for _, width := range []int{500, 1400} { // points: the narrowest window that the browser makes, and a desk's
		got := browse(t, alone, width)
		want := float64(s.Length()) / float64(s.SampleRate)
		if got.Error || math.Abs(got.Duration-want) > frame {
			t.Errorf("the page's sound lasts %g s, want %g; in error: %v", got.Duration, want, got.Error)
		}
		if len(got.Widths) != 2 || got.Widths[0] < 64 || got.Widths[1] < 64 {
			t.Errorf("pictures %v points wide, want two", got.Widths)
		}
		if len(got.Cue) != 2 || got.Cue[0] != 0 || math.Abs(got.Cue[1]-40*frame) > 0.001 {
			t.Errorf("the buttons go to %v s, want 0 and 1.6", got.Cue)
		}
		if fmt.Sprint(got.Paused) != "[0 1 0 1]" {
			t.Errorf("pressed, and pressed again: paused %v", got.Paused)
		}
		if got.Title != s.Title || got.Hit != "must 00:00:01:15 the <door>" {
			t.Errorf("%q and %q", got.Title, got.Hit)
		}
		if !got.Named || got.Beyond > 0 {
			t.Errorf("at %d points: named %v, %d points too wide", width, got.Named, got.Beyond)
		}
		for _, a := range append(got.Asked, got.Breaches...) {
			if !strings.HasPrefix(a, "data:") {
				t.Errorf("the page asked for %s", a)
			}
		}
	}
}

// A preview that cannot be made is told; the rest is handed over.
func TestDeliveryWithoutItsPreview(t *testing.T) {
	dir := t.TempDir()
	fake := filepath.Join(dir, "ffmpeg")
	if err := os.WriteFile(fake, []byte("#!/bin/sh\nfor a; do last=$a; done\ncase $last in *preview.mp4) echo half > \"${last#file:}\"; echo no encoder here >&2; exit 1;; esac\nexit 1\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	f, _ := scoreBeside(t, twoShots())
	if _, err := f.Edit("a layer", func(s *score.Score) error {
		s.Layers = append(s.Layers, score.Layer{Name: "alto"})
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	addTake(t, f, make([]float32, 48000), 0)
	t.Setenv("PATH", dir+string(os.PathListSeparator)+os.Getenv("PATH"))
	out := filepath.Join(t.TempDir(), "hand")
	res, err := Deliver(t.Context(), f, DeliverOptions{Folder: out})
	if err != nil {
		t.Fatal(err)
	}
	told := strings.Join(res.Notes, "\n")
	if !strings.Contains(told, "no preview: ffmpeg could not make it") || !strings.Contains(told, "no encoder here") {
		t.Errorf("told: %s", told)
	}
	if _, err := os.Stat(filepath.Join(out, "preview.mp4")); err == nil {
		t.Error("half a preview was left")
	}
	for _, name := range res.Files {
		if _, err := os.Stat(filepath.Join(out, filepath.FromSlash(name))); err != nil {
			t.Errorf("%s is named and is not there", name)
		}
	}
}
