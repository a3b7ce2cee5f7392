package decoder

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cuechoir/internal/reftool"
)

// fakeCache is a folder with one sealed module.
func fakeCache(t *testing.T) (dir, module string) {
	t.Helper()
	dir = t.TempDir()
	module = filepath.Join(dir, "wazero-v0-amd64-linux", "abcdef")
	if err := os.MkdirAll(filepath.Dir(module), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(module, []byte(strings.Repeat("code", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir, module
}

func TestOnlySealedAndWholeModulesAreUsed(t *testing.T) {
	gone := func(path string) bool { _, err := os.Stat(path); return os.IsNotExist(err) }
	spoil := map[string]func(module string) error{
		"not sealed": func(m string) error { return os.Remove(m + sumSuffix) },
		"one bit": func(m string) error {
			b, _ := os.ReadFile(m)
			b[10] ^= 1
			return os.WriteFile(m, b, 0o600)
		},
		"cut short": func(m string) error { return os.Truncate(m, 100) },
		"bad seal":  func(m string) error { return os.WriteFile(m+sumSuffix, []byte("x"), 0o600) },
	}
	for name, f := range spoil {
		dir, module := fakeCache(t)
		if err := sealCache(dir); err != nil {
			t.Fatal(err)
		}
		if !checkCache(dir) || gone(module) {
			t.Fatal("a sealed module is not used")
		}
		if err := f(module); err != nil {
			t.Fatal(err)
		}
		if checkCache(dir) || !gone(module) {
			t.Errorf("%s: the module is still used", name)
		}
	}
	if checkCache(filepath.Join(t.TempDir(), "no [such] *folder")) {
		t.Error("a missing folder counts as a cache")
	}
}

func TestCacheDir(t *testing.T) {
	t.Setenv(CacheEnv, "off")
	if d, note := cacheDir(); d != "" || note != "" {
		t.Errorf("off: %q, %q", d, note)
	}
	t.Setenv(CacheEnv, "some/where")
	if d, _ := cacheDir(); !filepath.IsAbs(d) || !strings.Contains(d, filepath.Join("some", "where")) {
		t.Errorf("a folder named by hand: %q", d)
	}
}

// TestCacheCannotBeWritten: the decoder works without a cache, and says so.
func TestCacheCannotBeWritten(t *testing.T) {
	if err := tryWritable(filepath.Join(write(t, "file", []byte("x")), "below")); err == nil {
		t.Fatal("a folder below a file can be written")
	}
	if raceOn || !reftool.Required() {
		t.Skip("SKIPPED without CUECHOIR_REQUIRE_TOOLS=1 and under -race: the start without a cache, a full compilation")
	}
	path, notes := write(t, "raw.avi", film(2).AVI()), ""
	t.Setenv(CacheEnv, filepath.Join(write(t, "file", []byte("x")), "below"))
	if _, n, _ := grey(t, open(t, path, Options{Engine: Embedded, Note: func(s string) { notes += s }})); n != 2 {
		t.Errorf("without a cache: %d frames", n)
	}
	if !strings.Contains(notes, CacheEnv) {
		t.Errorf("nobody is told that the cache cannot be written: %q", notes)
	}
}

// TestGarbageInCache puts garbage under a good seal, so that wazero meets it.
func TestGarbageInCache(t *testing.T) {
	if raceOn {
		t.Skip("SKIPPED under -race: a full compilation by instrumented code takes minutes")
	}
	path, notes := write(t, "raw.avi", film(2).AVI()), ""
	note := Options{Engine: Embedded, Note: func(s string) { notes += s }}
	userDir, _ := cacheDir()
	open(t, path, note).Close() // warm
	good := modulesIn(userDir)
	if len(good) == 0 {
		t.Skipf("SKIPPED: no cache was kept in the user's folder (%s)", notes)
	}
	dir := filepath.Join(t.TempDir(), "decoder")
	t.Setenv(CacheEnv, filepath.Dir(dir))
	for _, g := range good {
		bad := filepath.Join(dir, filepath.Base(filepath.Dir(g)), filepath.Base(g))
		if err := os.MkdirAll(filepath.Dir(bad), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(bad, []byte("WAZEVO garbage"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := sealCache(dir); err != nil {
		t.Fatal(err)
	}
	if _, n, _ := grey(t, open(t, path, note)); n != 2 || notes != "" {
		t.Errorf("with garbage in the cache: %d frames, notes %q", n, notes)
	}
	if !checkCache(dir) {
		t.Error("the mended cache was not kept")
	}
}
