package sql

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"
)

// JSON is a Sink that writes one array of objects, a line each, keys in the order of the columns. NULL,
// NaN and infinity are null, times RFC 3339 in UTC, every number a number. Close ends the array.
type JSON struct {
	w    *bufio.Writer
	keys [][]byte
	line []byte
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
	line := append(j.line[:0], ",\n{"...)
	if j.rows++; j.rows == 1 {
		line[0] = '['
	}
	var err error
	for i, v := range row {
		if i > 0 {
			line = append(line, ',')
		}
		line = append(line, j.keys[i]...)
		if line, err = appendJSON(line, v); err != nil {
			return fmt.Errorf("sql: row %d: %s: %w", j.rows, j.keys[i], err)
		}
	}
	j.line = append(line, '}')
	_, err = j.w.Write(j.line)
	return err
}

// appendJSON writes a value. The sorts that fill a history go without the general encoder.
func appendJSON(b []byte, v any) ([]byte, error) {
	switch x := v.(type) {
	case nil:
		return append(b, "null"...), nil
	case bool:
		return strconv.AppendBool(b, x), nil
	case int32:
		return strconv.AppendInt(b, int64(x), 10), nil
	case int64:
		return strconv.AppendInt(b, x, 10), nil
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return append(b, "null"...), nil
		}
		return appendFloat(b, x, 64), nil
	case time.Time:
		if infinite(x) {
			return append(b, "null"...), nil
		}
		return append(x.AppendFormat(append(b, '"'), time.RFC3339Nano), '"'), nil
	}
	text, err := encode(jsonValue(v))
	return append(b, text...), err
}

// appendFloat writes the shortest digits that give the number back, with an exponent only where the
// number is very large or very small.
func appendFloat(b []byte, x float64, bits int) []byte {
	if a := math.Abs(x); a == 0 || a >= 1e-6 && a < 1e21 {
		return strconv.AppendFloat(b, x, 'f', -1, bits)
	}
	return strconv.AppendFloat(b, x, 'g', -1, bits)
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
