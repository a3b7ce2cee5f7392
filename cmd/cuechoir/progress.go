package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"
)

const (
	progressAfter = 500 * time.Millisecond // work shorter than this shows none
	progressEvery = 100 * time.Millisecond // on a terminal
	progressLog   = 5 * time.Second        // in a file or pipe
	barWidth      = 24
)

// progressLine shows how far long work is: one line that renews itself on a
// terminal, a plain line now and then elsewhere.
type progressLine struct {
	w    io.Writer
	off  bool
	live bool

	mu    sync.Mutex
	began time.Time // zero: no work is shown
	last  time.Time
	shown bool
}

// show is called from the work as often as it likes. total 0: not known.
func (p *progressLine) show(done, total int64, what string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	if p.began.IsZero() {
		p.began = now
	}
	every := progressEvery
	if !p.live {
		every = progressLog
	}
	if p.off || p.w == nil || now.Sub(p.began) < progressAfter || now.Sub(p.last) < every {
		return
	}
	p.last = now
	line := what
	if total > 0 {
		done = min(max(done, 0), total)
		n := int(done * barWidth / total)
		line = fmt.Sprintf("%s%s %3d %%  %s", strings.Repeat("=", n), strings.Repeat(".", barWidth-n), done*100/total, what)
	}
	if !p.live {
		fmt.Fprintln(p.w, printable(line))
		return
	}
	fmt.Fprintf(p.w, "\r\x1b[K%s", printable(line))
	p.shown = true
}

// clear takes the line away before something else is printed.
func (p *progressLine) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.shown = false
	}
	p.began, p.last = time.Time{}, time.Time{}
}

// isTerminal reports whether w is a character device that takes a line anew.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok || os.Getenv("TERM") == "dumb" {
		return false
	}
	st, err := f.Stat()
	return err == nil && st.Mode()&os.ModeCharDevice != 0
}
