package sql

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// JSON is a Sink that writes one array of objects, a line each, keys in the order of the columns. NULL,
// NaN and infinity are null, times RFC 3339 in UTC, every number a number. Close ends the array.
type JSON struct {
	w    *bufio.Writer
	keys [][]byte
	rows int
}

// NewJSON returns a JSON that writes to w.
func NewJSON(w io.Writer) *JSON { return &JSON{w: bufio.NewWriter(w)} }

// Columns takes the keys.
func (j *JSON) Columns(columns []Column) error {
	for _, c := range columns {
		key, err := encode(c.Name)
		if err != nil {
			return err
		}
		j.keys = append(j.keys, append(key, ':'))
	}
	return nil
}

// Row writes one object.
func (j *JSON) Row(row []any) error {
	if j.rows++; j.rows == 1 {
		j.w.WriteString("[\n{")
	} else {
		j.w.WriteString(",\n{")
	}
	for i, v := range row {
		if i > 0 {
			j.w.WriteByte(',')
		}
		j.w.Write(j.keys[i])
		b, err := encode(jsonValue(v))
		if err != nil {
			return fmt.Errorf("sql: row %d: %s: %w", j.rows, j.keys[i], err)
		}
		j.w.Write(b)
	}
	return j.w.WriteByte('}') // a write error stays in the writer and comes out here at last
}

// Close ends the array and writes out what is buffered.
func (j *JSON) Close() error {
	if j.rows == 0 {
		j.w.WriteString("[]\n")
	} else {
		j.w.WriteString("\n]\n")
	}
	return j.w.Flush()
}

func encode(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// jsonValue turns what JSON has no word for into null, and times into text.
func jsonValue(v any) any {
	switch x := v.(type) {
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return nil
		}
	case float32:
		if x != x || math.IsInf(float64(x), 0) {
			return nil
		}
	case time.Time:
		if infinite(x) {
			return nil
		}
		return x.Format(time.RFC3339Nano)
	case []any:
		out := make([]any, len(x))
		for i := range x {
			out[i] = jsonValue(x[i])
		}
		return out
	case map[string]any:
		out := make(map[string]any, len(x))
		for k, e := range x {
			out[k] = jsonValue(e)
		}
		return out
	}
	return v
}

// infinite says whether a time is beyond what RFC 3339 can write: DuckDB's infinity.
func infinite(t time.Time) bool { return t.Year() < 0 || t.Year() > 9999 }

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
		c.out = append(c.out, harmless(col.Name))
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
			s = harmless(s)
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

// harmless keeps a spreadsheet from running text as a formula.
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// text is a value as people read it; NULL is "".
func text(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case string:
		return x
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case float32:
		return strconv.FormatFloat(float64(x), 'g', -1, 32)
	case time.Time:
		if infinite(x) {
			return "infinity"
		}
		return x.Format(time.RFC3339Nano)
	case []any, map[string]any:
		if b, err := encode(jsonValue(x)); err == nil {
			return string(b)
		}
	}
	return fmt.Sprint(v)
}

// writeTable writes aligned columns, numbers to the right, a rule under the header.
func writeTable(w io.Writer, columns []Column, rows [][]any) error {
	width := make([]int, len(columns))
	right := make([]bool, len(columns))
	for i, c := range columns {
		width[i], right[i] = utf8.RuneCountInString(c.Name), numeric(c.Type)
	}
	cells := make([][]string, len(rows))
	for r, row := range rows {
		cells[r] = make([]string, len(row))
		for i, v := range row {
			cells[r][i] = oneLine.Replace(text(v))
			width[i] = max(width[i], utf8.RuneCountInString(cells[r][i]))
		}
	}
	out := bufio.NewWriter(w)
	line := func(cell func(i int) string) {
		var b strings.Builder
		for i := range columns {
			if i > 0 {
				b.WriteString("  ")
			}
			s := cell(i)
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(s))
			if right[i] {
				s = pad + s
			} else {
				s += pad
			}
			b.WriteString(s)
		}
		out.WriteString(strings.TrimRight(b.String(), " ") + "\n")
	}
	line(func(i int) string { return columns[i].Name })
	line(func(i int) string { return strings.Repeat("-", width[i]) })
	for _, row := range cells {
		line(func(i int) string { return row[i] })
	}
	return out.Flush()
}

// oneLine keeps a cell on its line and its control characters from the terminal.
var oneLine = strings.NewReplacer("\r\n", " ", "\n", " ", "\r", " ", "\t", " ", "\x1b", "?")

func numeric(kind string) bool {
	kind, _, _ = strings.Cut(kind, "(")
	switch kind {
	case "TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT", "UTINYINT", "USMALLINT", "UINTEGER",
		"UBIGINT", "UHUGEINT", "FLOAT", "DOUBLE", "DECIMAL":
		return true
	}
	return false
}
