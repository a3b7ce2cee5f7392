package tui

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"
	"time"

	"cuechoir/internal/fault"
)

// reading is what came of reading the score.
type reading struct {
	sheet    *sheet
	err      error
	panicked any // with its stack
}

// read has the desk read the score beside the screen. A panic in it is carried
// to the loop, so that the terminal is restored before it is told.
func read(ctx context.Context, desk Desk) <-chan reading {
	done := make(chan reading, 1)
	go func() {
		r := reading{err: fault.New(fault.Unexpected, "the reading of the score did not finish")}
		defer func() {
			if p := recover(); p != nil {
				r.panicked = fmt.Sprintf("%v\n\n%s", p, debug.Stack())
			}
			done <- r
		}()
		m, err := desk.Load(ctx)
		if r.err = err; err == nil {
			r.sheet, r.err = newSheet(m)
		}
	}()
	return done
}

// lanes carry wishes to the desk: edits one after the other, a run beside them,
// and readings of the score. What comes back is a change of the state.
type lanes struct {
	ctx  context.Context
	desk Desk
	news chan func(State) State
	told mailbox

	queue   []Wish // edits that wait
	editing bool
	running bool
	cancel  context.CancelFunc // of the run
	ended   chan struct{}      // closed when the desk is done with the run
	reads   bool               // a reading is under way
	again   bool               // and another is wished for
}

func newLanes(ctx context.Context, desk Desk) *lanes {
	return &lanes{ctx: context.WithoutCancel(ctx), desk: desk, news: make(chan func(State) State, 4), told: mailbox{ready: make(chan struct{}, 1)}}
}

// take takes what the state wishes for.
func (l *lanes) take(s State) State {
	for _, w := range s.wishes {
		switch {
		case !w.Runs():
			l.queue = append(l.queue, w)
		case !l.running:
			s = s.begun(w)
			l.start(w)
		default: // it comes after what runs
			s.next = &w
		}
	}
	s.wishes = nil
	if s.run.stopping && l.cancel != nil {
		l.cancel()
	}
	l.edit()
	if s.reload {
		s.reload = false
		l.reread()
	}
	return s
}

// edit does the next edit that waits.
func (l *lanes) edit() {
	if l.editing || len(l.queue) == 0 {
		return
	}
	w := l.queue[0]
	l.queue, l.editing = l.queue[1:], true
	l.beside(w, l.ctx, func(Told) {}, func() {}, func(s State, out Outcome, err error) State {
		l.editing = false
		return s.outcome(out, err)
	})
}

// start begins a run.
func (l *lanes) start(w Wish) {
	var ctx context.Context
	ctx, l.cancel = context.WithCancel(l.ctx)
	l.running, l.ended = true, make(chan struct{})
	l.told.take()
	ended := l.ended
	l.beside(w, ctx, l.told.put, func() { close(ended) }, func(s State, out Outcome, err error) State {
		l.cancel()
		l.running, l.cancel = false, nil
		if t, ok := l.told.take(); ok {
			s = s.hear(t)
		}
		s = s.end(out, err)
		if s.next != nil {
			s.wishes, s.next = append(s.wishes, *s.next), nil
		}
		return s
	})
}

// beside has the desk do a wish on a goroutine of its own. left is called there
// when the desk is done, done by the loop.
func (l *lanes) beside(w Wish, ctx context.Context, tell func(Told), left func(), done func(State, Outcome, error) State) {
	go func() {
		var out Outcome
		err := error(fault.New(fault.Unexpected, "%s did not finish", w.Do))
		defer func() {
			p := recover()
			if p != nil {
				p = fmt.Sprintf("%v\n\n%s", p, debug.Stack())
			}
			left()
			l.news <- func(s State) State {
				if s = done(s, out, err); p != nil {
					panic(p)
				}
				return s
			}
		}()
		out, err = l.desk.Do(ctx, w, tell)
	}()
}

// reread reads the score again; when it is being read, once more after that.
func (l *lanes) reread() {
	if l.reads {
		l.again = true
		return
	}
	l.reads = true
	done := read(l.ctx, l.desk)
	go func() {
		r := <-done
		l.news <- func(s State) State {
			l.reads = false
			switch {
			case r.panicked != nil:
				panic(r.panicked)
			case r.err != nil:
				s.News = "not read again: " + r.err.Error()
			default:
				s = s.withSheet(r.sheet)
			}
			if l.again {
				l.again, s.reload = false, true
			}
			return s
		}
	}()
}

// finish ends what runs and does every edit that waits.
func (l *lanes) finish(s State) State {
	for {
		s.next = nil
		if l.cancel != nil {
			l.cancel()
		}
		if !l.running && !l.editing && len(l.queue) == 0 && len(s.wishes) == 0 {
			return s
		}
		var edits []Wish
		for _, w := range s.wishes {
			if !w.Runs() {
				edits = append(edits, w)
			}
		}
		s.wishes, s.reload = edits, false
		s = l.take(s)
		if l.running || l.editing {
			s = (<-l.news)(s)
		}
	}
}

// abandonLimit is how long a defect waits for a take to be ended.
const abandonLimit = 5 * time.Second

// abandon is for a defect: it ends what runs, and waits, so that a take that is
// being sung is whole on the disk, and does the edits that still wait. After
// finish there is nothing left to do.
func (l *lanes) abandon() {
	if l.cancel != nil {
		l.cancel()
		select {
		case <-l.ended:
		case <-time.After(abandonLimit):
		}
	}
	for _, w := range l.queue {
		l.last(w)
	}
	l.queue = nil
}

// last does an edit while a defect is on its way up: another one is not told.
func (l *lanes) last(w Wish) {
	defer func() { _ = recover() }()
	l.desk.Do(l.ctx, w, func(Told) {})
}

// mailbox holds the last word of a run, and all readings of the voice since it
// was taken.
type mailbox struct {
	mu    sync.Mutex
	last  Told
	full  bool
	ready chan struct{} // holds one when there is news
}

func (m *mailbox) put(t Told) {
	m.mu.Lock()
	t.Voice = append(m.last.Voice, t.Voice...)
	if t.Note == "" {
		t.Note = m.last.Note
	}
	if m.last.Input {
		t.PeakDB = max(t.PeakDB, m.last.PeakDB)
	}
	m.last, m.full = t, true
	m.mu.Unlock()
	select {
	case m.ready <- struct{}{}:
	default:
	}
}

// take empties it; ok is false when it was empty.
func (m *mailbox) take() (t Told, ok bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	t, ok = m.last, m.full
	m.last, m.full = Told{}, false
	return t, ok
}
