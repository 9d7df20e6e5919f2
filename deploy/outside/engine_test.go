package outside

import (
	"path/filepath"
	"slices"
	"testing"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/iceberg-go"
	"github.com/apache/iceberg-go/catalog/hadoop"
	"github.com/apache/iceberg-go/table"
)

// openTables opens every table of a lake with iceberg-go's catalog.
func openTables(t *testing.T, lake string) map[string]*table.Table {
	t.Helper()
	cat, err := hadoop.NewCatalog("outside", filepath.Dir(lake), iceberg.Properties{})
	if err != nil {
		t.Fatal(err)
	}
	tables := map[string]*table.Table{}
	for ident, err := range cat.ListTables(t.Context(), table.Identifier{filepath.Base(lake)}) {
		if err != nil {
			t.Fatal(err)
		}
		tbl, err := cat.LoadTable(t.Context(), ident)
		if err != nil {
			t.Fatalf("table %v: %v", ident, err)
		}
		tables[ident[len(ident)-1]] = tbl
	}
	for _, name := range []string{"readings", "reports", "codes"} {
		if tables[name] == nil {
			t.Fatalf("the catalog lists no table %s in %s", name, lake)
		}
	}
	return tables
}

// A grid is rows in the order of columns. Values are nil, bool, int64, float64 or string.
type grid struct {
	columns []string
	rows    [][]any
}

func (g *grid) at(name string) int { return slices.Index(g.columns, name) }

// scan reads everything that a scan gives.
func scan(t *testing.T, s *table.Scan) grid {
	t.Helper()
	tasks, err := s.PlanFiles(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return read(t, s, tasks)
}

func plan(t *testing.T, s *table.Scan) []table.FileScanTask {
	t.Helper()
	tasks, err := s.PlanFiles(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return tasks
}

// read reads some files of a scan.
func read(t *testing.T, s *table.Scan, tasks []table.FileScanTask) grid {
	t.Helper()
	schema, records, err := s.ReadTasks(t.Context(), tasks)
	if err != nil {
		t.Fatal(err)
	}
	var g grid
	for _, f := range schema.Fields() {
		g.columns = append(g.columns, f.Name)
	}
	for rec, err := range records {
		if err != nil {
			t.Fatal(err)
		}
		at := len(g.rows)
		for range rec.NumRows() {
			g.rows = append(g.rows, make([]any, len(g.columns)))
		}
		for c, col := range rec.Columns() {
			for r := range col.Len() {
				g.rows[at+r][c] = value(t, col, r)
			}
		}
		rec.Release()
	}
	return g
}

func value(t *testing.T, col arrow.Array, i int) any {
	t.Helper()
	if col.IsNull(i) {
		return nil
	}
	switch a := col.(type) {
	case *array.String:
		return a.Value(i)
	case *array.LargeString:
		return a.Value(i)
	case *array.Int32:
		return int64(a.Value(i))
	case *array.Int64:
		return a.Value(i)
	case *array.Float64:
		return a.Value(i)
	case *array.Boolean:
		return a.Value(i)
	case *array.Timestamp:
		if a.DataType().(*arrow.TimestampType).Unit != arrow.Microsecond {
			t.Fatalf("a timestamp of %v", a.DataType())
		}
		return int64(a.Value(i))
	}
	t.Fatalf("a column of type %v, which this test does not know", col.DataType())
	return nil
}

// literal is a bound of a manifest as a value.
func literal(t *testing.T, typ iceberg.Type, b []byte) any {
	t.Helper()
	l, err := iceberg.LiteralFromBytes(typ, b)
	if err != nil {
		t.Fatalf("a bound of type %s that is % x: %v", typ, b, err)
	}
	switch v := l.Any().(type) {
	case int32:
		return int64(v)
	case iceberg.Timestamp:
		return int64(v)
	default:
		return v
	}
}
