package decoder

import (
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// CacheEnv names the environment variable that moves the cache of the
// compiled decoder: a folder, or "off" for none.
const CacheEnv = "CUECHOIR_CACHE"

// cacheDir is the folder for the compiled module, "" with a note when there
// can be none. It is not made here.
func cacheDir() (dir, note string) {
	switch env := os.Getenv(CacheEnv); {
	case env == "off":
		return "", ""
	case env != "":
		abs, err := filepath.Abs(env)
		if err != nil {
			return "", noCache(err)
		}
		return filepath.Join(abs, "decoder"), ""
	}
	user, err := os.UserCacheDir()
	if err != nil {
		return "", noCache(err)
	}
	return filepath.Join(user, "cuechoir", "decoder"), ""
}

func noCache(err error) string {
	return fmt.Sprintf("the prepared video decoder cannot be kept (%v), so each start prepares it again; set %s to a folder that can be written", err, CacheEnv)
}

const sumSuffix = ".crc"

// checkCache removes from dir every compiled module whose bytes are not those
// that sealCache saw: wazero checks the machine code but not the tables around
// it, and a wrong table crashes the process. It reports whether a good module
// is left.
func checkCache(dir string) (warm bool) {
	for _, f := range modulesIn(dir) {
		want, err := os.ReadFile(f + sumSuffix)
		if err == nil {
			if got, err := checksum(f); err == nil && got == string(want) {
				warm = true
				continue
			}
		}
		remove(f)
	}
	return warm
}

// emptyCache removes what wazero cannot read.
func emptyCache(dir string) {
	for _, f := range modulesIn(dir) {
		remove(f)
	}
}

func remove(module string) {
	os.Remove(module)
	os.Remove(module + sumSuffix)
}

// sealCache notes the checksum of what was compiled just now.
func sealCache(dir string) error {
	for _, f := range modulesIn(dir) {
		if st, err := os.Stat(f); err == nil {
			if seal, err := os.ReadFile(f + sumSuffix); err == nil && strings.HasPrefix(string(seal), fmt.Sprintf("%d ", st.Size())) {
				continue // checked already, and not made anew since
			}
		}
		sum, err := checksum(f)
		if err != nil {
			return err
		}
		tmp := fmt.Sprintf("%s.%d.tmp", f+sumSuffix, os.Getpid())
		if err := os.WriteFile(tmp, []byte(sum), 0o600); err != nil {
			os.Remove(tmp)
			return err
		}
		if err := os.Rename(tmp, f+sumSuffix); err != nil {
			return err
		}
	}
	return nil
}

// modulesIn lists the compiled modules in a wazero cache folder.
func modulesIn(dir string) []string {
	all, _ := filepath.Glob(filepath.Join(escapeGlob(dir), "wazero-*", "*"))
	var files []string
	for _, f := range all {
		if !strings.Contains(filepath.Base(f), ".") {
			files = append(files, f)
		}
	}
	return files
}

func escapeGlob(s string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(s)
}

func checksum(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := crc32.New(crc32.MakeTable(crc32.Castagnoli))
	n, err := io.CopyBuffer(h, f, make([]byte, 256<<10))
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("%d %08x\n", n, h.Sum32()), nil
}

// tryWritable makes dir and tries to write in it.
func tryWritable(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, "try.*.tmp")
	if err != nil {
		return err
	}
	name := f.Name()
	f.Close()
	return os.Remove(name)
}
