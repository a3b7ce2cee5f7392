package report

import (
	"bufio"
	"io"
	"strings"
)

// Table is plain text in aligned columns, two spaces apart, for a terminal or
// a file. Rows may be of unequal length. The zero value writes nothing.
type Table struct {
	Head  []string   // nil: no head
	Rows  [][]string //
	Right []bool     // columns set to the right, for numbers; columns beyond it stand left
}

const tableGap = "  "

// Write writes the table, a line a row, without spaces at line ends.
func (t Table) Write(w io.Writer) error {
	widths := t.widths()
	b := bufio.NewWriter(w)
	if t.Head != nil {
		rule := make([]string, len(t.Head))
		for i := range rule {
			rule[i] = strings.Repeat("-", widths[i])
		}
		t.line(b, t.Head, widths)
		t.line(b, rule, widths)
	}
	for _, row := range t.Rows {
		t.line(b, row, widths)
	}
	return b.Flush()
}

func (t Table) widths() []int {
	var widths []int
	measure := func(row []string) {
		for i, s := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], cells(plain(s)))
		}
	}
	measure(t.Head)
	for _, row := range t.Rows {
		measure(row)
	}
	return widths
}

func (t Table) line(b *bufio.Writer, row []string, widths []int) {
	var l strings.Builder
	for i, s := range row {
		s = plain(s)
		pad := strings.Repeat(" ", widths[i]-cells(s))
		if i > 0 {
			l.WriteString(tableGap)
		}
		if i < len(t.Right) && t.Right[i] {
			l.WriteString(pad + s)
		} else {
			l.WriteString(s + pad)
		}
	}
	b.WriteString(strings.TrimRight(l.String(), " "))
	b.WriteByte('\n')
}
