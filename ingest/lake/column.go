package lake

import (
	"math"
	"strings"
	"time"

	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/iceberg-go"

	"marginline/ingest/series"
)

// A row is one row of any of the tables, seen from the poll it came with. The columns of a table read
// their value from it when writing and put it back when reading.
type row struct {
	p   *series.Poll
	seq uint64         // place of the report in its stream
	ord int32          // position within the report, of results and of codes
	r   *series.Result // readings only
	c   *series.Code   // codes only
	d   *Drift         // drift only

	results, codes int32 // reports only: how many rows the report owns in the other tables
}

// A column is one column of a table: its place in the Iceberg schema, and how a row gives and takes it.
// Exactly one of text, num, long, real, flag and when is set; it decides the type. In optional columns
// "", series.None, NaN, series.Unknown and the zero time are stored as null.
type column struct {
	id       int
	name     string
	doc      string
	required bool
	plain    bool // no dictionary: nearly every value is a new one
	runs     bool // no dictionary under zstd, which finds more in the values as they follow one another
	own      bool // belongs to the row; the others repeat what the report's own row says
	report   bool // the same in all rows of a report
	test     bool // of results: follows from the test and its limits (sameTest)

	text *access[string]
	num  *access[int32]
	long *access[int64]
	real *access[float64]
	flag *access[series.Tri]
	when *access[time.Time]
}

// An access gets a value from a row and sets it. An error of set names what cannot be.
type access[T any] struct {
	get  func(*row) T
	set  func(*row, T) error
	from func(*row) *T // where the row holds the value as it is; nil where it does not
}

func at[T any](f func(*row) *T) *access[T] {
	return &access[T]{
		get:  func(r *row) T { return *f(r) },
		set:  func(r *row, v T) error { *f(r) = v; return nil },
		from: f,
	}
}

// of is get by the shortest way.
func (a *access[T]) of(r *row) T {
	if a.from != nil {
		return *a.from(r)
	}
	return a.get(r)
}

func text(id int, name, doc string, f func(*row) *string) column {
	return column{id: id, name: name, doc: doc, text: at(f)}
}

func num(id int, name, doc string, f func(*row) *int32) column {
	return column{id: id, name: name, doc: doc, num: at(f)}
}

func real(id int, name, doc string, f func(*row) *float64) column {
	return column{id: id, name: name, doc: doc, real: at(f)}
}

func flag(id int, name, doc string, f func(*row) *series.Tri) column {
	return column{id: id, name: name, doc: doc, flag: at(f)}
}

func (c column) need() column     { c.required = true; return c }
func (c column) owned() column    { c.own = true; return c }
func (c column) ofTest() column   { c.own, c.test = true, true; return c }
func (c column) inRuns() column   { c.runs = true; return c }
func (c column) unlisted() column { c.plain = true; return c }

// bare says whether a column is written without a dictionary. Texts and flags never are.
func (c *column) bare(codec compress.Compression) bool {
	return c.plain || c.runs && codec == compress.Codecs.Zstd
}

func ofReport(cols ...column) []column {
	for i := range cols {
		cols[i].report = true
	}
	return cols
}

// iceberg is the column's type in the table's schema. There is no unsigned type in Iceberg, and
// timestamps are "timestamp": without a zone, UTC by convention.
func (c *column) iceberg() iceberg.Type {
	switch {
	case c.text != nil:
		return iceberg.PrimitiveTypes.String
	case c.num != nil:
		return iceberg.PrimitiveTypes.Int32
	case c.long != nil:
		return iceberg.PrimitiveTypes.Int64
	case c.real != nil:
		return iceberg.PrimitiveTypes.Float64
	case c.flag != nil:
		return iceberg.PrimitiveTypes.Bool
	default:
		return iceberg.PrimitiveTypes.Timestamp
	}
}

// clean keeps a string readable by every engine: Parquet's UTF8 columns must hold valid UTF-8, and one
// bad byte would make the whole file unreadable for some of them.
func clean(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// micros is a time as stored: microseconds since 1970, UTC.
func micros(t time.Time) int64 { return t.UnixMicro() }

func fromMicros(us int64) time.Time { return time.UnixMicro(us).UTC() }

// count is a number of things as stored.
func count(n int) int32 { return int32(min(n, math.MaxInt32)) }
