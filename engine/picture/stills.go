package picture

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"io"
	"strconv"
	"sync"

	"cuechoir/engine/raster"
	"cuechoir/engine/timecode"
	"cuechoir/internal/fault"
)

// Stills are small grey pictures of every frame, made ahead and kept in a
// file. Its methods may be called from several goroutines at a time; memory is
// cachedGroups groups (1.2 MB), and twelve bytes for each group of the file.
type Stills struct {
	src  io.ReaderAt
	name string
	tail stillsTail
	rate timecode.Rate
	at   []int64 // where each group begins; one more for the end of the last
	sums []uint32

	mu     sync.Mutex
	recent [cachedGroups]unpackedGroup
	clock  int64
	packed []byte
	reader groupReader
}

// cachedGroups: the one that plays, its neighbours, and one for a glance
// elsewhere.
const cachedGroups = 4

type unpackedGroup struct {
	group int64
	used  int64 // 0: empty
	greys []byte
}

// Bounds of a file of stills; one beyond them is not ours.
const (
	maxStillsFrames = 24 * 3600 * 120 // a day at 120 frames a second
	maxGroupCode    = 2 * stillsGroup * maxStillW * maxStillH
)

// OpenStills reads the index of a file of stills, size bytes long, called name
// in errors. The file stays the caller's to close. Errors: Malformed.
func OpenStills(src io.ReaderAt, size int64, name string) (*Stills, error) {
	s := &Stills{src: src, name: name}
	if err := s.readIndex(size); err != nil {
		return nil, s.broken(err)
	}
	return s, nil
}

func (s *Stills) broken(err error) error {
	if f, ok := err.(*fault.Error); ok {
		return f.In(s.name, f.Place).Mended("delete it; it is made anew from the reference's video")
	}
	return fault.New(fault.Malformed, "the stills cannot be read").In(s.name, "").Because(err).
		Mended("delete it; it is made anew from the reference's video")
}

func (s *Stills) readIndex(size int64) error {
	tailSize := int64(binary.Size(stillsTail{}))
	fixed := tailSize + 4 + int64(len(stillsEnd))
	if size < int64(len(stillsHead))+fixed {
		return fault.New(fault.Malformed, "is too short to hold stills")
	}
	head, last := make([]byte, len(stillsHead)), make([]byte, fixed)
	if err := readWhole(s.src, head, 0); err != nil {
		return err
	}
	if err := readWhole(s.src, last, size-fixed); err != nil {
		return err
	}
	if string(head) != stillsHead || string(last[tailSize+4:]) != stillsEnd {
		return fault.New(fault.Malformed, "is not a whole file of stills")
	}
	if err := binary.Read(bytes.NewReader(last), binary.LittleEndian, &s.tail); err != nil {
		return err
	}
	if err := s.checkTail(); err != nil {
		return err
	}
	groups := (s.tail.Frames + stillsGroup - 1) / stillsGroup
	end := size - fixed - 8*groups // of the last group
	if end < int64(len(stillsHead)) {
		return fault.New(fault.Malformed, "is too short for the frames it promises")
	}
	index := make([]byte, 8*groups) // no longer than the file
	if err := readWhole(s.src, index, end); err != nil {
		return err
	}
	sum := crc32.Update(crc32.ChecksumIEEE(index), crc32.IEEETable, last[:tailSize])
	if sum != binary.LittleEndian.Uint32(last[tailSize:]) {
		return fault.New(fault.Malformed, "its index is damaged")
	}
	return s.placeGroups(index, end)
}

func (s *Stills) checkTail() error {
	t := &s.tail
	s.rate = timecode.Rate{Num: t.RateNum, Den: t.RateDen, Drop: t.Drop == 1}
	switch {
	case t.W < 1 || t.H < 1 || t.W > maxStillW || t.H > maxStillH || t.Group != stillsGroup || t.Drop > 1 || t.Zero != 0:
		return fault.New(fault.Malformed, "its stills are of a size that is never written (%d by %d)", t.W, t.H)
	case t.Frames < 1 || t.Frames > maxStillsFrames:
		return fault.New(fault.Malformed, "it promises %d frames", t.Frames)
	}
	if err := s.rate.Validate(); err != nil {
		return fault.New(fault.Malformed, "its frame rate").Because(err)
	}
	return nil
}

// placeGroups finds where each group begins; together they fill the file.
func (s *Stills) placeGroups(index []byte, end int64) error {
	at := int64(len(stillsHead))
	for ; len(index) > 0; index = index[8:] {
		n := binary.LittleEndian.Uint32(index)
		if n == 0 || n > maxGroupCode {
			return fault.New(fault.Malformed, "a group of %d bytes is never written", n)
		}
		s.at = append(s.at, at)
		s.sums = append(s.sums, binary.LittleEndian.Uint32(index[4:]))
		at += int64(n)
	}
	s.at = append(s.at, at)
	if at != end {
		return fault.New(fault.Malformed, "its index does not fit its length")
	}
	return nil
}

func readWhole(src io.ReaderAt, p []byte, at int64) error {
	if n, err := src.ReadAt(p, at); n < len(p) {
		if err == nil || err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		return err
	}
	return nil
}

// Size is the stills' size in square points, at most 160 by 120.
func (s *Stills) Size() (w, h int) { return int(s.tail.W), int(s.tail.H) }

// Frames is how many stills there are: places at Rate, as Info.Frames.
func (s *Stills) Frames() int64 { return s.tail.Frames }

// Rate is the film's rate.
func (s *Stills) Rate() timecode.Rate { return s.rate }

// Source is the mark of the file they were made from.
func (s *Stills) Source() Mark { return Mark{s.tail.SourceBytes, s.tail.SourceSum} }

// At copies the still of a frame to dst, w*h bytes, rows from the top, 0 black
// to 255 white. Errors: Usage (no such frame, dst too short), Malformed (the
// file is damaged there).
func (s *Stills) At(frame int64, dst []byte) error {
	w, h := s.Size()
	return s.Scaled(frame, w, h, dst)
}

// maxScaled bounds the points of a scaled still's side.
const maxScaled = 4096

// Scaled is the still of a frame at w by h points, each 1 to 4096: the whole
// picture, each point the mean of the area it covers. To keep its shape, ask
// Fit for the size. Errors: as At.
func (s *Stills) Scaled(frame int64, w, h int, dst []byte) error {
	switch {
	case frame < 0 || frame >= s.tail.Frames:
		return fault.New(fault.Usage, "there is no frame %d: the stills go from 0 to %d", frame, s.tail.Frames-1)
	case w < 1 || h < 1 || w > maxScaled || h > maxScaled:
		return fault.New(fault.Usage, "a still is not drawn at %d by %d points", w, h).Mended("choose 1 to %d each way", maxScaled)
	case len(dst) < w*h:
		return fault.New(fault.Usage, "a still of %d by %d points does not fit %d bytes", w, h, len(dst))
	}
	sw, sh := s.Size()
	s.mu.Lock()
	defer s.mu.Unlock()
	greys, err := s.unpacked(frame / stillsGroup)
	if err != nil {
		return s.broken(err)
	}
	k := int(frame % stillsGroup)
	raster.Scale(dst, w, h, greys[k*sw*sh:(k+1)*sw*sh], sw, sh)
	return nil
}

// Fit is the place, in character cells, for a still in a box of boxW by boxH
// of them: see raster.Fit. At half blocks, Scaled wants W by 2*H points.
func (s *Stills) Fit(boxW, boxH int, cellAspect float64) raster.Rect {
	w, h := s.Size()
	return raster.Fit(w, h, boxW, boxH, cellAspect)
}

// unpacked is a group's greys, from memory or else from the file.
func (s *Stills) unpacked(group int64) ([]byte, error) {
	s.clock++
	oldest := &s.recent[0]
	for i := range s.recent {
		r := &s.recent[i]
		if r.used > 0 && r.group == group {
			r.used = s.clock
			return r.greys, nil
		}
		if r.used < oldest.used {
			oldest = r
		}
	}
	code, err := s.code(group)
	if err != nil {
		return nil, err
	}
	w, h := s.Size()
	n := int(min(stillsGroup, s.tail.Frames-group*stillsGroup))
	if oldest.greys == nil {
		oldest.greys = make([]byte, stillsGroup*w*h)
	}
	oldest.used = 0 // until it is whole
	if err := s.reader.decode(oldest.greys, code, w, h, n); err != nil {
		return nil, placed(err, group)
	}
	oldest.group, oldest.used = group, s.clock
	return oldest.greys, nil
}

// code reads a group's bytes and holds them against their checksum.
func (s *Stills) code(group int64) ([]byte, error) {
	n := s.at[group+1] - s.at[group]
	if int64(cap(s.packed)) < n {
		s.packed = make([]byte, n)
	}
	p := s.packed[:n]
	if err := readWhole(s.src, p, s.at[group]); err != nil {
		return nil, placed(fault.New(fault.Malformed, "a group of stills cannot be read").Because(err), group)
	}
	if crc32.ChecksumIEEE(p) != s.sums[group] {
		return nil, placed(fault.New(fault.Malformed, "a group of stills is damaged"), group)
	}
	return p, nil
}

func placed(err error, group int64) error {
	if f, ok := err.(*fault.Error); ok {
		c := *f
		c.Place = "frame " + strconv.FormatInt(group*stillsGroup, 10)
		return &c
	}
	return err
}

// Check reads the whole file against its checksums, without unpacking it.
// Errors: Malformed, at the first damage.
func (s *Stills) Check() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for g := range s.sums {
		if _, err := s.code(int64(g)); err != nil {
			return s.broken(err)
		}
	}
	return nil
}
