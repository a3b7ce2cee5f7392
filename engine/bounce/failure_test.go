package bounce

import (
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"cuechoir/engine/mix"
	"cuechoir/internal/fault"
)

type failing struct{ after int }

func (f *failing) Read(dst []float32) (int, error) {
	if f.after -= len(dst); f.after < 0 {
		return 0, errors.New("the take cannot be read")
	}
	return len(dst), nil
}

// A layer that fails in any pass leaves the folder as it was.
func TestAFailingLayerLeavesNothing(t *testing.T) {
	for pass := 1; pass <= 4; pass++ {
		dir := t.TempDir()
		path := filepath.Join(dir, "score.wav")
		if err := os.WriteFile(path, []byte("the old bounce"), 0o600); err != nil {
			t.Fatal(err)
		}
		calls := 0
		good := choir(30000, 0.1)
		open := func() (mix.Desk, error) {
			s, _ := good()
			if calls++; calls == pass+1 { // the first call only looks
				for i := range s.Strips {
					s.Strips[i].Source = &failing{20000}
				}
			}
			return s, nil
		}
		_, err := Bounce(context.Background(), open, Options{Path: path, Length: 40000, Stems: true})
		if err == nil || !strings.Contains(err.Error(), "the take cannot be read") {
			t.Errorf("pass %d: %v", pass, err)
		}
		left(t, dir, 1)
		if b, _ := os.ReadFile(path); string(b) != "the old bounce" {
			t.Errorf("pass %d: the old file is now %d bytes", pass, len(b))
		}
	}
}

func TestInterruptLeavesNothing(t *testing.T) {
	for _, at := range []int64{1, 50000, 90000, 150000} {
		dir := t.TempDir()
		ctx, stop := context.WithCancel(context.Background())
		_, err := Bounce(ctx, choir(30000, 0.1), Options{Path: filepath.Join(dir, "x.wav"), Length: 40000, Stems: true, Progress: func(done, total int64) {
			if total != 5*40000 {
				t.Errorf("progress counts to %d, want 5 passes", total)
			}
			if done >= at {
				stop()
			}
		}})
		stop()
		if fault.KindOf(err) != fault.Interrupted {
			t.Errorf("stopped at %d: %v", at, err)
		}
		left(t, dir, 0)
	}
}

// poorDisk fails at the nth of one kind of call.
type poorDisk struct {
	osDisk
	what string
	nth  int
	err  error
}

func (p *poorDisk) fails(what string) error {
	if what == p.what {
		if p.nth--; p.nth == 0 {
			return &os.PathError{Op: what, Path: "x", Err: p.err}
		}
	}
	return nil
}

func (p *poorDisk) Create(folder, pattern string) (file, error) {
	if err := p.fails("create"); err != nil {
		return nil, err
	}
	f, err := p.osDisk.Create(folder, pattern)
	return &poorFile{f, p}, err
}

func (p *poorDisk) Rename(a, b string) error {
	if err := p.fails("rename"); err != nil {
		return err
	}
	return p.osDisk.Rename(a, b)
}

type poorFile struct {
	file
	p *poorDisk
}

func (f *poorFile) Write(b []byte) (int, error) {
	if err := f.p.fails("write"); err != nil {
		n, _ := f.file.Write(b[:len(b)/2])
		return n, err
	}
	return f.file.Write(b)
}

func (f *poorFile) Sync() error {
	if err := f.p.fails("sync"); err != nil {
		return err
	}
	return f.file.Sync()
}

// A full disk, at any call, is told as such and leaves nothing.
func TestDiskFull(t *testing.T) {
	kinds := map[string]int{"create": 2, "write": 32, "sync": 2, "rename": 4}
	for what, most := range kinds {
		for nth := 1; nth <= most; nth += 1 + most/12 {
			dir := t.TempDir()
			p := &poorDisk{what: what, nth: nth, err: syscall.ENOSPC}
			_, err := bounce(context.Background(), choir(30000, 0.1), Options{Path: filepath.Join(dir, "x.wav"), Length: 40000, Stems: true}, p)
			if fault.KindOf(err) != fault.DiskFull {
				t.Fatalf("%s %d: %v, want disk full", what, nth, err)
			}
			if !strings.Contains(err.Error(), "nothing was kept") {
				t.Errorf("%s %d: %v does not say what became of the file", what, nth, err)
			}
			left(t, dir, 0)
		}
	}
}

type closable struct {
	mix.Source
	open *int
}

func (c *closable) Close() error { *c.open--; return nil }

func TestSourcesAreClosed(t *testing.T) {
	open := 0
	_, err := Bounce(context.Background(), func() (mix.Desk, error) {
		open += 2
		return mix.Desk{Strips: []mix.Strip{
			{Name: "a", Source: &closable{mix.FromSlice(tones(100, 0.1, 1000)), &open}, Group: "g"},
			{Name: "b", Source: &closable{mix.FromSlice(nil), &open}, Mute: true},
		}}, nil
	}, Options{Path: filepath.Join(t.TempDir(), "x.wav"), Length: 2000, Stems: true})
	if err != nil || open != 0 {
		t.Errorf("%d sources left open, %v", open, err)
	}
}

func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.wav")
	low, nan := -71.0, math.NaN()
	good := choir(1000, 0.1)
	silent := func() (mix.Desk, error) {
		return mix.Desk{Strips: []mix.Strip{{Name: "s", Source: mix.FromSlice(nil)}}}, nil
	}
	target := -23.0
	clash := func() (mix.Desk, error) {
		return mix.Desk{Strips: []mix.Strip{{Source: mix.FromSlice(nil), Group: "a/b"}, {Source: mix.FromSlice(nil), Group: "A:B"}}}, nil
	}
	hidden := func() (mix.Desk, error) { // two stems that are beyond full scale and cancel
		v := tones(200, 1, 5000)
		w := make([]float32, len(v))
		for i := range v {
			w[i] = -v[i]
		}
		return mix.Desk{Strips: []mix.Strip{{Source: mix.FromSlice(v), Group: "a", GainDB: 12}, {Source: mix.FromSlice(w), Group: "b", GainDB: 12}}}, nil
	}
	for _, c := range []struct {
		name string
		open Opener
		o    Options
		want fault.Kind
	}{
		{"no path", good, Options{Length: 1}, fault.Usage},
		{"not a wav", good, Options{Path: filepath.Join(dir, "x.mp3"), Length: 1}, fault.Usage},
		{"no folder", good, Options{Path: filepath.Join(dir, "no", "x.wav"), Length: 1}, fault.Missing},
		{"no length", good, Options{Path: path}, fault.Usage},
		{"bits", good, Options{Path: path, Length: 1, Bits: 8}, fault.Usage},
		{"ceiling", good, Options{Path: path, Length: 1, CeilingDBTP: 0.1}, fault.Usage},
		{"ceiling NaN", good, Options{Path: path, Length: 1, CeilingDBTP: nan}, fault.Usage},
		{"target", good, Options{Path: path, Length: 1, TargetLUFS: &low}, fault.Usage},
		{"target NaN", good, Options{Path: path, Length: 1, TargetLUFS: &nan}, fault.Usage},
		{"time", good, Options{Path: path, Length: 1, TimeReference: -1}, fault.Usage},
		{"silent", silent, Options{Path: path, Length: 48000, TargetLUFS: &target}, fault.NotMet},
		{"nothing", func() (mix.Desk, error) { return mix.Desk{}, nil }, Options{Path: path, Length: 1}, fault.Missing},
		{"muted", func() (mix.Desk, error) { return mix.Desk{Strips: []mix.Strip{{Mute: true}}}, nil }, Options{Path: path, Length: 1}, fault.Missing},
		{"opener", func() (mix.Desk, error) { return mix.Desk{}, fault.New(fault.Missing, "take 1") }, Options{Path: path, Length: 1}, fault.Missing},
		{"one stem name for two", clash, Options{Path: path, Length: 1, Stems: true}, fault.Usage},
		{"a stem clips", hidden, Options{Path: path, Length: 5000, Stems: true}, fault.NotMet},
		{"NaN", func() (mix.Desk, error) {
			return mix.Desk{Strips: []mix.Strip{{Source: mix.FromSlice([]float32{float32(nan)})}}}, nil
		}, Options{Path: path, Length: 1}, fault.Malformed},
	} {
		_, err := Bounce(context.Background(), c.open, c.o)
		if err == nil || fault.KindOf(err) != c.want {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
	left(t, dir, 0)
	run(t, good, Options{Path: path, Length: 5})
	if _, err := Bounce(context.Background(), good, Options{Path: path, Length: 5, KeepOld: true}); fault.KindOf(err) != fault.Conflict {
		t.Errorf("a file that is to be kept: %v", err)
	}
	if res := run(t, silent, Options{Path: path, Length: 500}); !math.IsInf(res.Mix.Loudness.TruePeakDBTP, -1) {
		t.Errorf("silence: %+v", res)
	}
}

func TestStemPath(t *testing.T) {
	for group, want := range map[string]string{"brass": "a/b_brass.wav", "": "a/b_ungrouped.wav", "../../etc": "a/b_------etc.wav", "tief & böse": "a/b_tief - böse.wav", strings.Repeat("x", 500): "a/b_" + strings.Repeat("x", 64) + ".wav"} {
		if got := StemPath("a/b.wav", group); got != want {
			t.Errorf("StemPath(%q) = %q, want %q", group, got, want)
		}
	}
}
