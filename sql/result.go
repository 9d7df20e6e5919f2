package sql

import (
	"io"
	"slices"
	"time"
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
	Rows      int64         // that were given
	Truncated bool          // there are more rows than were given
	Snapshots []Pinned      // of the lake tables that were read
	Elapsed   time.Duration // waiting for its turn not included
	Waited    time.Duration // for its turn
	Params    []Param       // of the statement, where only its shape was asked for
	Notes     []string      // what has to be told beside the answer
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
