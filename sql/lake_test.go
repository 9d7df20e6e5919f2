package sql_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	_ "github.com/marcboeker/go-duckdb"

	stdsql "database/sql"

	"marginline/sql"
)

// fields of the lake tables, by name and Iceberg type, in the order of their field ids from 1.
var lakeFields = map[string]string{
	"readings": `read_at timestamp, clock_ok boolean, vin string, device string, report_id string, bus string, ecu string,
		cal_id string, test string, mid int, tid int, cid int, spn int, fmi int, uas int, slot int, dtc string,
		raw_value int, raw_min int, raw_max int, value double, min double, max double, unit_of_measure string,
		state string, passed boolean, margin double, odometer_km double, fuel_level_pct double, ambient_c double,
		coolant_c double, barometric_kpa double, run_time_s double, warmups_since_clear double,
		distance_since_clear_km double, done boolean, runs int, coding int, ord int`,
	"reports": `report_id string, digest long, device string, vin string, bus string, read_at timestamp, clock_ok boolean,
		received_at timestamp, messages int, rejected int, results int, codes int, engine_hours double, odometer_km double,
		fuel_level_pct double, ambient_c double, coolant_c double, barometric_kpa double, run_time_s double,
		warmups_since_clear double, distance_since_clear_km double, stream_seq long, minutes_since_clear double, cvns string`,
	"codes": `report_id string, device string, vin string, bus string, read_at timestamp, clock_ok boolean, ecu string,
		kind string, code string`,
}

func fieldsOf(table string) []sql.Field {
	var out []sql.Field
	for i, f := range strings.Split(lakeFields[table], ",") {
		w := strings.Fields(f)
		out = append(out, sql.Field{ID: i + 1, Name: w[0], Type: w[1]})
	}
	return out
}

var duck = map[string]string{"string": "VARCHAR", "int": "INTEGER", "long": "BIGINT", "double": "DOUBLE", "boolean": "BOOLEAN", "timestamp": "TIMESTAMP"}

// A fixture is a lake of Parquet files that DuckDB itself wrote, and small tables beside it.
type fixture struct {
	t      testing.TB
	db     *stdsql.DB
	dir    string
	tables []sql.Table
	small  map[string]sql.Rows
	asked  []string
	pins   int
}

func newFixture(t testing.TB) *fixture {
	t.Helper()
	db, err := stdsql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	f := &fixture{t: t, db: db, dir: t.TempDir(), small: map[string]sql.Rows{}}
	for _, name := range []string{"readings", "reports", "codes"} {
		f.tables = append(f.tables, sql.Table{Name: name, SnapshotID: 1, Fields: fieldsOf(name)})
	}
	return f
}

// add writes one file of a table from a query that gives some of its columns; without lists columns that
// the file does not have at all, as in a file that is older than they are.
func (f *fixture) add(table, query string, without ...string) {
	f.t.Helper()
	var columns, ids []string
	given := f.columns(query)
fields:
	for _, field := range fieldsOf(table) {
		for _, w := range without {
			if w == field.Name {
				continue fields
			}
		}
		if given[field.Name] {
			columns = append(columns, fmt.Sprintf("%q::%s AS %q", field.Name, duck[field.Type], field.Name))
		} else {
			columns = append(columns, fmt.Sprintf("NULL::%s AS %q", duck[field.Type], field.Name))
		}
		ids = append(ids, fmt.Sprintf("%q: %d", field.Name, field.ID))
	}
	for i := range f.tables {
		t := &f.tables[i]
		if t.Name != table {
			continue
		}
		path := filepath.Join(f.dir, fmt.Sprintf("%s-%d.parquet", table, len(t.Files)))
		copy := fmt.Sprintf("COPY (SELECT %s FROM (%s)) TO '%s' (FORMAT parquet, ROW_GROUP_SIZE 32768, FIELD_IDS {%s})",
			strings.Join(columns, ", "), query, path, strings.Join(ids, ", "))
		if _, err := f.db.Exec(copy); err != nil {
			f.t.Fatalf("write %s: %v\n%s", table, err, copy)
		}
		t.Files, t.SnapshotID = append(t.Files, f.known(table, path)), t.SnapshotID+1
	}
}

// known is a file with what a manifest says of it.
func (f *fixture) known(table, path string) sql.File {
	f.t.Helper()
	out := sql.File{Path: path}
	var vins, devices [2]stdsql.NullString
	var times [2]stdsql.NullTime
	var without int
	with := map[string]bool{}
	for c := range f.columns("select * from '" + path + "'") {
		with[c] = true
	}
	if !with["vin"] || !with["device"] || !with["read_at"] {
		return out
	}
	if err := f.db.QueryRow("select min(vin), max(vin), min(device), max(device), min(read_at), max(read_at), count(*) - count(vin) from '"+path+"'").
		Scan(&vins[0], &vins[1], &devices[0], &devices[1], &times[0], &times[1], &without); err != nil {
		f.t.Fatal(err)
	}
	bounds := func(b [2]stdsql.NullString) sql.Bounds {
		if !b[0].Valid {
			return sql.Bounds{Known: true, Low: "none"}
		}
		return sql.Bounds{Known: true, Low: b[0].String, High: b[1].String}
	}
	out.VIN, out.Device, out.VINs = bounds(vins), bounds(devices), without == 0
	out.From, out.To = times[0].Time, times[1].Time
	return out
}

func (f *fixture) columns(query string) map[string]bool {
	f.t.Helper()
	rows, err := f.db.Query("SELECT * FROM (" + query + ") LIMIT 0")
	if err != nil {
		f.t.Fatalf("%v\n%s", err, query)
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		f.t.Fatal(err)
	}
	set := map[string]bool{}
	for _, n := range names {
		set[n] = true
	}
	return set
}

func (f *fixture) units(rows ...[3]string) {
	f.small["units"] = sql.Rows{Columns: []string{"unit", "vin", "device"}, Rows: func(yield func([]any) bool) {
		for _, r := range rows {
			v := make([]any, 3)
			for i, s := range r {
				if s != "" {
					v[i] = s
				}
			}
			if !yield(v) {
				return
			}
		}
	}}
}

func (f *fixture) Pin(context.Context, []string) (sql.Snapshot, error) {
	f.pins++
	return f, nil
}

func (f *fixture) Tables() []sql.Table { return f.tables }

func (f *fixture) Small(_ context.Context, name string) (sql.Rows, error) {
	f.asked = append(f.asked, name)
	return f.small[name], nil
}

func (f *fixture) Release() { f.pins-- }

func open(t testing.TB, change ...func(*sql.Config)) *sql.Engine {
	t.Helper()
	c := sql.DefaultConfig()
	c.MemoryLimit, c.Timeout, c.Lake = "400MB", 30*time.Second, os.TempDir() // newFixture and t.TempDir lie there
	for _, f := range change {
		f(&c)
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	e, err := sql.Open(c, log)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e
}

// rows runs a query and gives its rows as CSV without the header.
func rows(t testing.TB, e *sql.Engine, src sql.Source, query string) string {
	t.Helper()
	r, err := e.Query(t.Context(), src, query)
	if err != nil {
		t.Fatalf("%s\n%v", query, err)
	}
	var b strings.Builder
	if err := r.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(strings.ReplaceAll(b.String(), "\r\n", "\n"), "\n")
	return rest
}
