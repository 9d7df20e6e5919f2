package sql

import (
	"bufio"
	"encoding/csv"
	"io"
	"strings"
)

// CSV is a Sink that writes RFC 4180 with a header; NULL is empty. Text that a spreadsheet would take
// for a formula is led by an apostrophe; numbers stay numbers. Close writes out what is buffered.
type CSV struct {
	buf *bufio.Writer
	w   *csv.Writer
	out []string
}

// NewCSV returns a CSV that writes to w.
func NewCSV(w io.Writer) *CSV {
	buf := bufio.NewWriter(w)
	c := &CSV{buf: buf, w: csv.NewWriter(buf)}
	c.w.UseCRLF = true // RFC 4180, 2.1
	return c
}

// Columns writes the header.
func (c *CSV) Columns(columns []Column) error {
	c.out = c.out[:0]
	for _, col := range columns {
		c.out = append(c.out, Harmless(col.Name))
	}
	return c.w.Write(c.out)
}

// Row writes one record.
func (c *CSV) Row(row []any) error {
	c.out = c.out[:0]
	for _, v := range row {
		s := text(v)
		switch v.(type) {
		case string, []any, map[string]any:
			s = Harmless(s)
		}
		c.out = append(c.out, s)
	}
	if len(c.out) == 1 && c.out[0] == "" { // an empty line would be no record
		c.w.Flush()
		_, err := c.buf.WriteString("\"\"\r\n")
		return err
	}
	return c.w.Write(c.out)
}

// Close writes out what is buffered.
func (c *CSV) Close() error {
	c.w.Flush()
	return c.w.Error()
}

// Harmless keeps a spreadsheet from running text as a formula: such text gets an apostrophe in front.
func Harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
