package tui

import "sort"

// window is the stretch of the reference that a row of cells shows. The frame
// in the gate stays in one column and the film runs through it. A cell holds
// 1<<zoom frames, or with zoom below 0 a frame takes 1<<-zoom cells. Cells are
// counted from frame 0, so that the film does not shimmer as it moves.
type window struct {
	cols, gate int
	zoom       int
	left       int64   // cell of column 0
	edges      []int64 // sample where each column begins, and where the last ends
}

func newWindow(s *sheet, frame int64, zoom, cols int) window {
	w := window{cols: cols, gate: cols / 3, zoom: zoom}
	w.left = w.cellOf(frame) - int64(w.gate)
	w.edges = make([]int64, cols+1)
	for c := range w.edges {
		w.edges[c] = w.edge(s, w.left+int64(c))
	}
	return w
}

// cellOf is the cell where a frame begins.
func (w *window) cellOf(frame int64) int64 {
	if w.zoom >= 0 {
		return frame >> w.zoom
	}
	return frame << -w.zoom
}

// edge is the sample from which a cell begins, half a frame (or half a part of
// a frame) early: see halfFrame.
func (w *window) edge(s *sheet, cell int64) int64 {
	if w.zoom >= 0 {
		return s.sampleOf(cell<<w.zoom) - s.halfFrame()
	}
	parts := int64(1) << -w.zoom
	frame, part := cell>>-w.zoom, cell&(parts-1)
	from, end := s.sampleOf(frame), s.sampleOf(frame+1)
	return from + ((end-from)*(2*part-1))/(2*parts)
}

// frames are the frames that begin in a column, from to end; none when they
// are equal (a later part of a frame).
func (w *window) frames(col int) (from, end int64) {
	cell := w.left + int64(col)
	if w.zoom >= 0 {
		return cell << w.zoom, (cell + 1) << w.zoom
	}
	parts := int64(1) << -w.zoom
	from = (cell + parts - 1) >> -w.zoom
	return from, (cell + parts) >> -w.zoom
}

// frameAt is the frame that a column shows, the first of them.
func (w *window) frameAt(col int) int64 {
	cell := w.left + int64(col)
	if w.zoom >= 0 {
		return cell << w.zoom
	}
	return cell >> -w.zoom
}

// column is where a frame begins; it may lie outside 0 to cols.
func (w *window) column(frame int64) int64 { return w.cellOf(frame) - w.left }

// columnOfSample is the column that a sample belongs to, -1 before the first,
// cols after the last.
func (w *window) columnOfSample(sample int64) int {
	return sort.Search(len(w.edges), func(i int) bool { return w.edges[i] > sample }) - 1
}

// zoomOut is the zoom at which the whole reference fits right of the gate.
func zoomOut(frames int64, cols int) int {
	room, z := int64(max(1, cols-cols/3)), 0
	for frames>>z > room {
		z++
	}
	return z
}

// zoomIn is the closest zoom: eight cells a frame.
const zoomIn = -3
