package score

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

var errDead = errors.New("no disk any more")

// dying is a disk that fails at its nth step, half-way through a write. As a
// kill does, it fails at every step from then on; once is a passing error.
type dying struct {
	unsynced
	left int
	once bool
}

func (d *dying) step() error {
	d.left--
	if d.left == -1 || d.left < -1 && !d.once {
		return errDead
	}
	return nil
}

func (d *dying) create(root *os.Root, rel string) (*os.File, error) {
	if err := d.step(); err != nil {
		return nil, err
	}
	return d.unsynced.create(root, rel)
}

func (d *dying) open(root *os.Root, rel string) (*os.File, error) {
	if err := d.step(); err != nil {
		return nil, err
	}
	return d.unsynced.open(root, rel)
}

func (d *dying) write(f *os.File, data []byte) error {
	dead := d.left < 0
	if err := d.step(); err != nil {
		if !dead {
			f.Write(data[:len(data)/2])
		}
		return err
	}
	return d.unsynced.write(f, data)
}

func (d *dying) truncate(f *os.File, size int64) error {
	return errors.Join(d.step(), d.ifAlive(func() error { return d.unsynced.truncate(f, size) }))
}
func (d *dying) sync(*os.File) error            { return d.step() }
func (d *dying) syncDir(*os.Root, string) error { return d.step() }
func (d *dying) rename(root *os.Root, from, to string) error {
	return errors.Join(d.step(), d.ifAlive(func() error { return d.unsynced.rename(root, from, to) }))
}
func (d *dying) remove(root *os.Root, rel string) error {
	return errors.Join(d.step(), d.ifAlive(func() error { return d.unsynced.remove(root, rel) }))
}
func (d *dying) mkdir(root *os.Root, rel string) error {
	if err := d.step(); err != nil {
		return err
	}
	return d.unsynced.mkdir(root, rel)
}

// ifAlive does the work unless this very step failed.
func (d *dying) ifAlive(work func() error) error {
	if d.left == -1 || d.left < -1 && !d.once {
		return nil
	}
	return work()
}

// lane is a history as texts: those that undo and redo reach, and the current.
type lane struct {
	texts []string
	at    int
}

func laneOf(titles string, at int) lane { return lane{strings.Fields(titles), at} }

// readLane walks a history back to its beginning and forward to its end.
func readLane(t *testing.T, f *Folder) lane {
	t.Helper()
	h, err := f.History()
	if err != nil {
		t.Fatal(err)
	}
	l := lane{at: h.Undoes}
	if h.Undoes > 0 {
		if _, _, err := f.Undo(h.Undoes); err != nil {
			t.Fatal(err)
		}
	}
	for i := 0; ; i++ {
		s, err := f.Load()
		if err != nil {
			t.Fatal(err)
		}
		l.texts = append(l.texts, s.Title)
		if i == h.Undoes+h.Redoes {
			break
		}
		if _, _, err := f.Redo(1); err != nil {
			t.Fatal(err)
		}
	}
	return l
}

var crashCases = []struct {
	name          string
	prepare       func(*Folder) error
	do            func(*Folder) error
	before, after lane
}{
	{"first edit", func(*Folder) error { return nil }, func(f *Folder) error { return retitle(f, "a") },
		laneOf("new", 0), laneOf("new a", 1)},
	{"next edit", func(f *Folder) error { return retitle(f, "a") }, func(f *Folder) error { return retitle(f, "b") },
		laneOf("new a", 1), laneOf("new a b", 2)},
	{"edit after an undo", prepared("a b", 1), func(f *Folder) error { return retitle(f, "c") },
		laneOf("new a b", 1), laneOf("new a c", 2)},
	{"edit of a comp", prepared("a", 0), patched("b"), laneOf("new a", 1), laneOf("new a b", 2)},
	{"undo of two", prepared("a b c", 0), func(f *Folder) error { _, _, err := f.Undo(2); return err },
		laneOf("new a b c", 3), laneOf("new a b c", 1)},
	{"redo", prepared("a b", 2), func(f *Folder) error { _, _, err := f.Redo(1); return err },
		laneOf("new a b", 0), laneOf("new a b", 1)},
	{"edit after an edit outside", outsideAfter("a b", 1), func(f *Folder) error { return retitle(f, "c") },
		laneOf("new a out", 2), laneOf("new a out c", 3)},
	{"undo of an edit outside", outsideAfter("a", 0), func(f *Folder) error { _, _, err := f.Undo(1); return err },
		laneOf("new a out", 2), laneOf("new a out", 1)},
	{"edit that makes the oldest go", prepared("a b c d", 0), func(f *Folder) error { return retitle(f, "e") },
		laneOf("new a b c d", 4), laneOf("a b c d e", 4)},
}

// patched gives the score a new title, and its layer a comp and a mark with it.
func patched(title string) func(*Folder) error {
	return func(f *Folder) error {
		_, err := f.Edit(title, func(s *Score) error {
			s.Title = title
			s.Layers[0].SetSpan("004", 200_000, 300_000, 960, 0)
			s.Layers[0].SetMark(Mark{"002", 480, 4, "better"})
			return nil
		})
		return err
	}
}

// prepared makes edits with these titles and takes back some.
func prepared(titles string, back int) func(*Folder) error {
	return func(f *Folder) error {
		for _, x := range strings.Fields(titles) {
			if err := retitle(f, x); err != nil {
				return err
			}
		}
		if back == 0 {
			return nil
		}
		_, _, err := f.Undo(back)
		return err
	}
}

func outsideAfter(titles string, back int) func(*Folder) error {
	return func(f *Folder) error {
		if err := prepared(titles, back)(f); err != nil {
			return err
		}
		text, err := os.ReadFile(f.Path(FileName))
		if err != nil {
			return err
		}
		s, err := Decode(text, FileName)
		if err != nil {
			return err
		}
		s.Title = "out"
		if text, err = Encode(s); err != nil {
			return err
		}
		return os.WriteFile(f.Path(FileName), text, 0o666)
	}
}

// The disk dies at every step of every operation in turn. After that the
// document is the old or the new one; a confirmed edit is there; undo and redo
// lead through the texts of before or of after, and through no other.
func TestDyingDisk(t *testing.T) {
	for _, c := range crashCases {
		steps := 0
		for _, once := range []bool{false, true} {
			if once && raceBuild {
				continue
			}
			for k := 0; ; k++ {
				d := &dying{left: k, once: once}
				crashOnce(t, fmt.Sprintf("%s, step %d (once %v)", c.name, k, once), d, c.prepare, c.do, c.before, c.after)
				if d.left >= 0 {
					steps = k
					break
				}
			}
		}
		if steps < 8 {
			t.Errorf("%s has only %d steps: the disk did not die in all of them", c.name, steps)
		}
	}
}

func crashOnce(t *testing.T, name string, d *dying, prepare, do func(*Folder) error, before, after lane) {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, FileName), titled(t, "new"), 0o666); err != nil {
		t.Fatal(err)
	}
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	f.disk, f.maxSteps = unsynced{}, 4
	if err := prepare(f); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	f.disk = d
	done := do(f)
	f.Close()

	if f, err = Open(dir); err != nil { // the next start
		t.Fatal(err)
	}
	defer f.Close()
	f.disk, f.maxSteps = unsynced{}, 4
	s, err := f.Load()
	if err != nil {
		t.Fatalf("%s: the document cannot be read: %v", name, err)
	}
	if was, is := before.texts[before.at], after.texts[after.at]; s.Title != is && (s.Title != was || done == nil) {
		t.Fatalf("%s: the document is %q (the edit said %v), want %q or %q", name, s.Title, done, was, is)
	}
	if strings.HasPrefix(name, "edit of a comp") && s.Title == "b" && s.Layers[0].MarkOf("002").Rating != 4 {
		t.Fatalf("%s: the edit is half there: %+v", name, s.Layers[0])
	}
	got := readLane(t, f)
	same := func(l lane) bool {
		// What is too old may be there still: it goes with the next edit.
		extra := max(0, len(got.texts)-len(l.texts))
		return fmt.Sprint(got.texts[extra:], got.at-extra) == fmt.Sprint(l.texts, l.at) && (extra == 0 || got.texts[0] == "new")
	}
	if !(same(before) && done != nil) && !same(after) {
		t.Fatalf("%s: the history is %v (the edit said %v), want %v or %v", name, got, done, before, after)
	}
	if err := retitle(f, "next"); err != nil {
		t.Fatalf("%s: no edit is possible any more: %v", name, err)
	}
	litter, _ := filepath.Glob(filepath.Join(dir, "*.tmp"))
	more, _ := filepath.Glob(filepath.Join(dir, HistoryDir, "*.tmp"))
	if len(litter)+len(more) > 0 {
		t.Fatalf("%s: litter %v %v", name, litter, more)
	}
	if err := f.VerifyHistory(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

const editorEnv = "CUECHOIR_TEST_EDIT_UNTIL_KILLED"

// TestEditUntilKilled is the child of TestKill: it edits, undoes and redoes
// for ever, and says each edit that was confirmed.
func TestEditUntilKilled(t *testing.T) {
	dir := os.Getenv(editorEnv)
	if dir == "" {
		t.Skip("this is the child of TestKill")
	}
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	s, err := f.Load()
	if err != nil {
		t.Fatal(err)
	}
	n, _ := strconv.Atoi(s.Title)
	for n++; ; n++ {
		if err := retitle(f, strconv.Itoa(n)); err != nil {
			t.Fatal(err)
		}
		fmt.Printf("confirmed %d\n", n)
		if n%4 == 0 {
			if _, _, err := f.Undo(3); err != nil {
				t.Fatal(err)
			}
			if _, _, err := f.Redo(3); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A process that edits is killed at random moments: no confirmed edit is lost,
// and undo leads back through every number that came before.
func TestKill(t *testing.T) {
	kills, seed := 12, uint64(20)
	if raceBuild {
		kills = 3
	}
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, seed))
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, FileName), titled(t, "0"), 0o666); err != nil {
		t.Fatal(err)
	}
	confirmed := 0
	for range kills {
		last := killed(t, dir, time.Duration(rng.Int64N(int64(120*time.Millisecond))))
		f, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		f.disk = unsynced{}
		confirmed = max(confirmed, last)
		h, err := f.History()
		if err != nil {
			t.Fatal(err)
		}
		if h.Redoes > 0 { // killed between an undo and its redo
			if _, _, err := f.Redo(h.Redoes); err != nil {
				t.Fatal(err)
			}
		}
		s, err := f.Load()
		if err != nil {
			t.Fatal(err)
		}
		n, _ := strconv.Atoi(s.Title)
		if n < confirmed || n > confirmed+1 {
			t.Fatalf("the document says %d, confirmed was %d", n, confirmed)
		}
		back := min(n, 40)
		for i := 1; i <= back; i++ {
			s, _, err := f.Undo(1)
			if err != nil || s.Title != strconv.Itoa(n-i) {
				t.Fatalf("undo %d from %d leads to %v, %v", i, n, s, err)
			}
		}
		if back > 0 {
			if _, _, err := f.Redo(back); err != nil {
				t.Fatal(err)
			}
		}
		f.Close()
	}
	t.Logf("%d edits confirmed, %d kills", confirmed, kills)
	if confirmed < kills {
		t.Errorf("only %d edits in all: the kills came too early to tell anything", confirmed)
	}
}

// killed runs the child until some time after its first confirmed edit, kills
// it and reports the last number that it confirmed.
func killed(t *testing.T, dir string, after time.Duration) (last int) {
	cmd := exec.Command(os.Args[0], "-test.run=^TestEditUntilKilled$")
	cmd.Env = append(os.Environ(), editorEnv+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewReader(io.TeeReader(out, &said))
	if _, err := lines.ReadString('\n'); err == nil {
		time.AfterFunc(after, func() { cmd.Process.Kill() })
	}
	io.Copy(io.Discard, lines)
	cmd.Wait()
	whole, _, _ := cutLast(said.String(), "\n")
	for _, line := range strings.Split(whole, "\n") {
		if _, err := fmt.Sscanf(line, "confirmed %d", &last); err != nil {
			t.Fatalf("the child said %q", line)
		}
	}
	return last
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}
