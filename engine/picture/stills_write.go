package picture

import (
	"bufio"
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"io"
	"os"
	"path"
	"strings"
	"syscall"
	"time"

	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Target is where stills are written: a name, with slashes, inside a folder
// that links cannot leave. The zero Target is nowhere. When Accept, which may
// be nil, refuses the film that was read, nothing is written and its error is
// returned.
type Target struct {
	Root   *os.Root
	Name   string
	Accept func(Info) error
}

// A file of stills, version 1, numbers little-endian:
//
//	"ccstill1"                  8 bytes
//	groups                      as groupCoder makes them, one after the other
//	index                       for each group: bytes u32, CRC-32 (IEEE) of them u32
//	tail                        stillsTail as encoding/binary writes it
//	CRC-32 of index and tail    u32
//	"1llitscc"                  8 bytes
const (
	stillsHead = "ccstill1"
	stillsEnd  = "1llitscc"
)

type stillsTail struct {
	W, H, Group, Zero uint16
	Frames            int64
	RateNum, RateDen  int64
	Drop              uint64 // 0 or 1
	SourceBytes       int64
	SourceSum         [32]byte
}

type stillsGroupEntry struct{ Bytes, Sum uint32 }

// stillsFile is what a writer asks of a file; tests make it fail.
type stillsFile interface {
	io.Writer
	Sync() error
	Close() error
}

// stillsWriter writes stills under a passing name. It ends with finish or
// abandon.
type stillsWriter struct {
	to     Target
	temp   string
	file   stillsFile
	buf    *bufio.Writer
	coder  *groupCoder
	w, h   int
	group  [][]byte // frames that wait for their group to be full
	held   int
	frames int64
	index  []stillsGroupEntry
}

// staleTemp is how old an unfinished file must be for nobody to be at work on
// it any more.
const staleTemp = time.Hour

func newStillsWriter(to Target, w, h int) (*stillsWriter, error) {
	dir := path.Dir(to.Name)
	if err := to.Root.MkdirAll(dir, 0o777); err != nil {
		return nil, stillsUnwritten(to, err)
	}
	sweepTemps(to)
	var word [6]byte
	rand.Read(word[:]) // never fails (crypto/rand)
	s := &stillsWriter{to: to, temp: to.Name + "." + hex.EncodeToString(word[:]) + ".tmp", w: w, h: h, coder: newGroupCoder(w, h)}
	f, err := to.Root.OpenFile(s.temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, stillsUnwritten(to, err)
	}
	s.group = make([][]byte, stillsGroup)
	for i := range s.group {
		s.group[i] = make([]byte, w*h)
	}
	s.use(f)
	return s, nil
}

func (s *stillsWriter) use(f stillsFile) {
	s.file, s.buf = f, bufio.NewWriterSize(f, 1<<16)
	s.buf.WriteString(stillsHead) // a full buffer tells its error later
}

// sweepTemps removes what a program that was killed left behind.
func sweepTemps(to Target) {
	d, err := to.Root.Open(path.Dir(to.Name))
	if err != nil {
		return
	}
	defer d.Close()
	names, _ := d.Readdirnames(-1)
	for _, n := range names {
		if !strings.HasPrefix(n, path.Base(to.Name)+".") || !strings.HasSuffix(n, ".tmp") {
			continue
		}
		n = path.Join(path.Dir(to.Name), n)
		if st, err := to.Root.Lstat(n); err == nil && time.Since(st.ModTime()) > staleTemp {
			to.Root.Remove(n)
		}
	}
}

// push takes the next still.
func (s *stillsWriter) push(g Grey) error {
	copy(s.group[s.held], g.Pix)
	s.held++
	s.frames++
	if s.held == stillsGroup {
		return s.flushGroup()
	}
	return nil
}

func (s *stillsWriter) flushGroup() error {
	if s.held == 0 {
		return nil
	}
	code, err := s.coder.code(s.group[:s.held])
	if err != nil {
		return err
	}
	s.held = 0
	s.index = append(s.index, stillsGroupEntry{uint32(len(code)), crc32.ChecksumIEEE(code)})
	if _, err := s.buf.Write(code); err != nil {
		return stillsUnwritten(s.to, err)
	}
	return nil
}

// finish writes the index and gives the file its name.
func (s *stillsWriter) finish(rate timecode.Rate, mark Mark) (err error) {
	defer func() {
		if err != nil {
			s.abandon()
		}
	}()
	if err := s.flushGroup(); err != nil {
		return err
	}
	t := stillsTail{W: uint16(s.w), H: uint16(s.h), Group: stillsGroup, Frames: s.frames,
		RateNum: rate.Num, RateDen: rate.Den, SourceBytes: mark.Bytes, SourceSum: mark.Sum}
	if rate.Drop {
		t.Drop = 1
	}
	sum := crc32.NewIEEE()
	both := io.MultiWriter(s.buf, sum)
	binary.Write(both, binary.LittleEndian, s.index) // errors stay in the buffer until Flush
	binary.Write(both, binary.LittleEndian, t)
	binary.Write(s.buf, binary.LittleEndian, sum.Sum32())
	s.buf.WriteString(stillsEnd)
	if err := s.buf.Flush(); err != nil {
		return stillsUnwritten(s.to, err)
	}
	if err := s.file.Sync(); err != nil {
		return stillsUnwritten(s.to, err)
	}
	if err := s.file.Close(); err != nil {
		return stillsUnwritten(s.to, err)
	}
	if err := s.to.Root.Rename(s.temp, s.to.Name); err != nil {
		return stillsUnwritten(s.to, err)
	}
	return nil
}

// abandon leaves nothing behind.
func (s *stillsWriter) abandon() {
	s.file.Close()
	s.to.Root.Remove(s.temp)
}

func stillsUnwritten(to Target, err error) error {
	f := fault.New(fault.Unexpected, "the stills cannot be written").In(path.Join(to.Root.Name(), to.Name), "").Because(err)
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		f.Kind, f.Mend = fault.DiskFull, "make room on the disk and try again"
	}
	return f
}
