package sql

import (
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/marcboeker/go-duckdb"
)

// A Column is one column of an answer. Names are unique: the second of one name gets _2.
type Column struct{ Name, Type string }

// A Sink takes an answer: the columns once, then the rows. The row is valid during the call only.
//
// A value is nil, bool, an integer, float32 or float64, json.Number (HUGEINT, DECIMAL), string,
// time.Time (UTC), []any or map[string]any (STRUCT, MAP).
type Sink interface {
	Columns([]Column) error
	Row([]any) error
}

// A Summary says how an answer came about.
type Summary struct {
	Truncated bool     // there are more rows than were given
	Snapshots []Pinned // of the lake tables that were read
	Elapsed   time.Duration
}

// A Result is an answer in memory.
type Result struct {
	Columns []Column
	Rows    [][]any // values as a Sink takes them
	Summary
}

// A keeper is the Sink that fills a Result.
type keeper struct{ *Result }

func (k keeper) Columns(c []Column) error { k.Result.Columns = c; return nil }

func (k keeper) Row(row []any) error { k.Rows = append(k.Rows, slices.Clone(row)); return nil }

func (r *Result) pour(to interface {
	Sink
	Close() error
}) error {
	if err := to.Columns(r.Columns); err != nil {
		return err
	}
	for _, row := range r.Rows {
		if err := to.Row(row); err != nil {
			return err
		}
	}
	return to.Close()
}

// WriteJSON writes the rows as one array of objects.
func (r *Result) WriteJSON(w io.Writer) error { return r.pour(NewJSON(w)) }

// WriteCSV writes a header and the rows.
func (r *Result) WriteCSV(w io.Writer) error { return r.pour(NewCSV(w)) }

// WriteTable writes aligned text.
func (r *Result) WriteTable(w io.Writer) error { return writeTable(w, r.Columns, r.Rows) }

// columnsOf names the columns; names overrides what the rows say.
func columnsOf(rows *sql.Rows, names []string) ([]Column, error) {
	types, err := rows.ColumnTypes()
	if err != nil {
		return nil, err
	}
	if len(names) != len(types) {
		names = nil
		for _, t := range types {
			names = append(names, t.Name())
		}
	}
	taken := map[string]bool{}
	for _, n := range names {
		taken[n] = true
	}
	used := map[string]bool{}
	out := make([]Column, len(types))
	for i, t := range types {
		name := names[i]
		for k := 2; used[name]; k++ {
			if try := fmt.Sprintf("%s_%d", names[i], k); !taken[try] && !used[try] {
				name = try
			}
		}
		used[name] = true
		out[i] = Column{name, t.DatabaseTypeName()}
	}
	return out, nil
}

// plain turns a value of the driver into one that a Sink takes.
func plain(v any, kind string) any {
	switch x := v.(type) {
	case *big.Int:
		return json.Number(x.String())
	case duckdb.Decimal:
		return json.Number(decimal(x))
	case duckdb.Interval:
		return interval(x)
	case []byte:
		if kind == "UUID" && len(x) == 16 {
			return uuid.UUID(x).String()
		}
		return hex.EncodeToString(x)
	case time.Time:
		x = x.UTC()
		switch {
		case kind == "DATE":
			return x.Format(time.DateOnly)
		case strings.HasPrefix(kind, "TIME") && !strings.HasPrefix(kind, "TIMESTAMP"):
			return x.Format("15:04:05.999999")
		}
		return x
	case []any:
		out := make([]any, len(x))
		for i := range x {
			out[i] = plain(x[i], strings.TrimSuffix(kind, "[]"))
		}
		return out
	case map[string]any:
		out := make(map[string]any, len(x))
		for k, e := range x {
			out[k] = plain(e, "")
		}
		return out
	case duckdb.Map:
		out := make(map[string]any, len(x))
		for k, e := range x {
			out[text(plain(k, ""))] = plain(e, "")
		}
		return out
	}
	return v
}

func decimal(d duckdb.Decimal) string {
	digits := new(big.Int).Abs(d.Value).String()
	if s := int(d.Scale); s > 0 {
		if len(digits) <= s {
			digits = strings.Repeat("0", s-len(digits)+1) + digits
		}
		digits = digits[:len(digits)-s] + "." + digits[len(digits)-s:]
	}
	if d.Value.Sign() < 0 {
		return "-" + digits
	}
	return digits
}

// interval writes a span of time in words and a clock.
func interval(i duckdb.Interval) string {
	var parts []string
	if i.Months != 0 {
		parts = append(parts, fmt.Sprintf("%d months", i.Months))
	}
	if i.Days != 0 {
		parts = append(parts, fmt.Sprintf("%d days", i.Days))
	}
	if i.Micros != 0 || len(parts) == 0 {
		us, sign := i.Micros, ""
		if us < 0 {
			us, sign = -us, "-"
		}
		s := fmt.Sprintf("%s%02d:%02d:%02d", sign, us/3_600_000_000, us/60_000_000%60, us/1_000_000%60)
		if us %= 1_000_000; us != 0 {
			s += fmt.Sprintf(".%06d", us)
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, " ")
}

// planLines turns the one cell of an EXPLAIN into a row a line.
type planLines struct{ to Sink }

func (p *planLines) Columns([]Column) error { return p.to.Columns([]Column{{"plan", "VARCHAR"}}) }

func (p *planLines) Row(row []any) error {
	plan, _ := row[len(row)-1].(string)
	for line := range strings.Lines(strings.TrimRight(plan, "\n")) {
		if err := p.to.Row([]any{strings.TrimRight(line, "\n")}); err != nil {
			return err
		}
	}
	return nil
}
