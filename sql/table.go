package sql

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// writeTable writes aligned columns, numbers to the right, a rule under the header.
func writeTable(w io.Writer, columns []Column, rows [][]any) error {
	width := make([]int, len(columns))
	right := make([]bool, len(columns))
	for i, c := range columns {
		width[i], right[i] = utf8.RuneCountInString(c.Name), Numeric(c.Type)
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

// Numeric says whether a column of that type holds numbers.
func Numeric(kind string) bool {
	kind, _, _ = strings.Cut(kind, "(")
	switch kind {
	case "TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT", "UTINYINT", "USMALLINT", "UINTEGER",
		"UBIGINT", "UHUGEINT", "FLOAT", "DOUBLE", "DECIMAL":
		return true
	}
	return false
}

// Text is a value of a Sink as people read it; NULL is "".
func Text(v any) string { return text(v) }

// text is a value as people read it; NULL is "".
func text(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case string:
		return x
	case float64:
		return string(appendFloat(nil, x, 64))
	case float32:
		return string(appendFloat(nil, float64(x), 32))
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
