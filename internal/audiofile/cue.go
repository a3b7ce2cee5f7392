package audiofile

import (
	"bytes"
	"encoding/binary"
	"math"
	"sort"

	"cuechoir/internal/fault"
)

// Cue is a named place in a file: the `cue ` chunk and its label in LIST adtl
// (Multimedia Programming Interface and Data Specifications 1.0, 1991).
type Cue struct {
	Sample int64 // frame from the start of the file, 0 to 2^32-1
	Name   string
}

const (
	maxCues      = 10000
	maxCueName   = 1024
	cueEntrySize = 24
)

// checkCues says whether the cues can be kept in a file.
func checkCues(cues []Cue) error {
	if len(cues) > maxCues {
		return fault.New(fault.Usage, "%d cues are over the bound of %d", len(cues), maxCues)
	}
	for i, c := range cues {
		if c.Sample < 0 || c.Sample > math.MaxUint32 {
			return fault.New(fault.Usage, "cue %d is at frame %d, outside 0 to %d", i+1, c.Sample, uint32(math.MaxUint32))
		}
		if len(c.Name) > maxCueName || bytes.IndexByte([]byte(c.Name), 0) >= 0 {
			return fault.New(fault.Usage, "the name of cue %d is over %d bytes or holds a zero byte", i+1, maxCueName)
		}
	}
	return nil
}

// cueChunks lays out the `cue ` chunk and the list of labels; nothing when
// there are no cues.
func cueChunks(cues []Cue) []byte {
	if len(cues) == 0 {
		return nil
	}
	le := binary.LittleEndian
	points := le.AppendUint32(nil, uint32(len(cues)))
	labels := []byte("adtl")
	for i, c := range cues {
		id := uint32(i + 1)
		points = le.AppendUint32(points, id)
		points = le.AppendUint32(points, uint32(c.Sample))
		points = append(points, "data"...)
		points = append(points, make([]byte, 8)...) // dwChunkStart, dwBlockStart
		points = le.AppendUint32(points, uint32(c.Sample))

		label := le.AppendUint32(nil, id)
		label = append(append(label, c.Name...), 0)
		labels = appendChunk(labels, "labl", label)
	}
	return appendChunk(appendChunk(nil, "cue ", points), "LIST", labels)
}

// appendChunk adds a chunk: its header, its body and a pad byte when the body
// is odd.
func appendChunk(b []byte, id string, body []byte) []byte {
	b = append(b, id...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(body)))
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

// parseCuePoints reads the body of a `cue ` chunk into frames by identity.
// A count beyond what the body holds is not believed.
func parseCuePoints(p []byte) map[uint32]int64 {
	if len(p) < 4 {
		return nil
	}
	le := binary.LittleEndian
	n := min(int64(le.Uint32(p)), int64(len(p)-4)/cueEntrySize, maxCues)
	at := make(map[uint32]int64, n)
	for i := range int(n) {
		e := p[4+i*cueEntrySize:]
		at[le.Uint32(e)] = int64(le.Uint32(e[20:]))
	}
	return at
}

// parseLabels reads the `labl` entries of a LIST adtl body (after "adtl").
func parseLabels(p []byte) map[uint32]string {
	le := binary.LittleEndian
	names := make(map[uint32]string)
	for len(p) >= 8 && len(names) < maxCues {
		size := int64(le.Uint32(p[4:]))
		if size > int64(len(p)-8) {
			break
		}
		body := p[8 : 8+size]
		if string(p[:4]) == "labl" && len(body) >= 4 {
			text := body[4:min(len(body), 4+maxCueName)]
			if i := bytes.IndexByte(text, 0); i >= 0 {
				text = text[:i]
			}
			names[le.Uint32(body)] = string(text)
		}
		p = p[min(int64(len(p)), 8+size+size%2):]
	}
	return names
}

// joinCues puts places and names together, in order of time, then of name.
func joinCues(at map[uint32]int64, names map[uint32]string) []Cue {
	cues := make([]Cue, 0, len(at))
	for id, sample := range at {
		cues = append(cues, Cue{sample, names[id]})
	}
	sort.Slice(cues, func(i, j int) bool {
		if cues[i].Sample != cues[j].Sample {
			return cues[i].Sample < cues[j].Sample
		}
		return cues[i].Name < cues[j].Name
	})
	return cues
}
