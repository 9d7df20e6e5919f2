package sql_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/apache/arrow-go/v18/arrow/ipc"

	"marginline/sql"
)

// Every form holds the same answer; DuckDB reads the Parquet and another version of Arrow the Arrow.
func TestWrite_EveryForm(t *testing.T) {
	e, f := open(t), newFixture(t)
	query := `select i as n, i / 7 as x, 'v' || i as s, timestamp '2026-03-01 06:00' + interval (i) minute as at, date '2026-03-01' as day,
		i % 2 = 0 as even, case when i % 3 > 0 then i end as gap, sum(i) over (order by i) as total, [i, i + 1] as pair, {'a': i} as part from range(5000) t(i)`
	want := rows(t, e, f, query)
	write := func(form, query string) []byte {
		var b bytes.Buffer
		sum, err := e.Write(t.Context(), f, sql.Request{Query: query}, form, &b)
		if err != nil {
			t.Fatalf("%s: %v", form, err)
		}
		if sum.Rows != 5000 || sum.Truncated {
			t.Errorf("%s: %d rows, truncated %v", form, sum.Rows, sum.Truncated)
		}
		return b.Bytes()
	}
	if _, got, _ := strings.Cut(strings.ReplaceAll(string(write("csv", query)), "\r\n", "\n"), "\n"); got != want {
		t.Error("csv differs")
	}
	if got := bytes.Count(write("json", query), []byte(`{"n":`)); got != 5000 {
		t.Errorf("json has %d rows", got)
	}
	if got := bytes.Count(write("table", query), []byte("\n")); got != 5002 {
		t.Errorf("table has %d lines", got)
	}
	path := filepath.Join(t.TempDir(), "a.parquet")
	if err := os.WriteFile(path, write("parquet", query), 0o600); err != nil {
		t.Fatal(err)
	}
	var differ int
	var kind string
	if err := f.db.QueryRow(fmt.Sprintf(`select count(*), any_value(typeof(p.at)) from read_parquet('%s') p join (%s) q on p.n = q.n and p.x = q.x and p.s = q.s
		and p.at = q.at and p.day = q.day and p.even = q.even and p.gap is not distinct from q.gap and p.total = q.total and p.pair = q.pair and p.part = q.part`, path, query)).Scan(&differ, &kind); err != nil {
		t.Fatal(err)
	}
	if differ != 5000 || kind != "TIMESTAMP" {
		t.Errorf("parquet: %d rows are equal, time is %s", differ, kind)
	}
	r, err := ipc.NewReader(bytes.NewReader(write("arrow", query)))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Release()
	n := int64(0)
	for r.Next() {
		n += r.RecordBatch().NumRows()
	}
	if n != 5000 || r.Err() != nil || r.Schema().Field(3).Type.String() != "timestamp[us]" {
		t.Errorf("arrow: %d rows, %v, %v", n, r.Err(), r.Schema())
	}
	if _, err := e.Write(t.Context(), f, sql.Request{Query: "select 1"}, "xml", &bytes.Buffer{}); err == nil {
		t.Error("a form that is none: no error")
	}
	if _, err := e.Write(t.Context(), f, sql.Request{Query: "select interval 1 day as d"}, "parquet", &bytes.Buffer{}); err == nil || !strings.Contains(err.Error(), "INTERVAL") {
		t.Errorf("an interval in Parquet: %v", err)
	}
}
