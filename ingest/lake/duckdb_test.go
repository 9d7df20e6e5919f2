package lake_test

import (
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	_ "github.com/marcboeker/go-duckdb"

	"marginline/ingest/lake"
	"marginline/ingest/series"
)

// The lake as another engine sees it: DuckDB over the file list of a pinned state.
func TestDuckDBReadsEveryTable(t *testing.T) {
	l, err := lake.Open(t.TempDir(), slog.New(slog.DiscardHandler), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	at := time.Date(2026, 3, 2, 6, 14, 9, 123456000, time.UTC)
	r := series.NewResult()
	r.ECU, r.Test, r.MID, r.TID, r.UAS = "7e8", "m21.t89", 0x21, 0x89, 0xFE
	r.Coding, r.Raw = series.Signed, series.Raw{Value: -5, Min: series.None, Max: 32767}
	r.Value, r.UnitOfMeasure, r.State, r.Passed = -0.625, "Pa", series.StateOK, series.True
	silent := series.NewResult()
	silent.ECU, silent.Test, silent.State, silent.UnitOfMeasure = "7e8", "m21.t8a", series.StateNotRun, "1"
	for i := range 3 {
		p := &series.Poll{ReportID: fmt.Sprint("r", i), Digest: math.MaxUint64 - uint64(i), Device: "dgl-1", VIN: "9ZZTEST74RA000123", Bus: series.CAN,
			ReadAt: at.Add(time.Duration(i) * time.Hour), ClockOK: i != 1, Received: at, Messages: 3, Context: series.NoContext(),
			Results: []series.Result{r, silent}, Codes: []series.Code{{ECU: "7e8", Kind: series.CodeConfirmed, Code: "P0420"}}}
		p.Context.OdometerKm = 48211.4
		if i == 2 {
			p.VIN = ""
		}
		l.Append(p, uint64(i+1))
		if i == 1 {
			commit(t, l, 2) // two files
		}
	}
	commit(t, l, 3)
	w := l.DriftWriter()
	for i := range 2 {
		err := w.Reset(t.Context(), "s1")
		if err == nil {
			err = w.Add(lake.Drift{Unit: fmt.Sprint("u", i), ECU: "7e8", Test: "m21.t89", ReadAt: at, ReportID: "r0", Epoch: 1, UnitOfMeasure: "Pa"})
		}
		w.Seal(lake.Coverage{Position: l.Position()})
		if err = errors.Join(err, w.Commit(t.Context())); err != nil {
			t.Fatal(err)
		}
	}
	pin, err := l.Pin()
	if err != nil {
		t.Fatal(err)
	}
	defer pin.Release()

	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	// Iceberg's primitive types as DuckDB has to show them. TIMESTAMP, not TIMESTAMP WITH TIME ZONE: the
	// tables say "timestamp", which has no zone.
	types := map[string]string{"string": "VARCHAR", "int": "INTEGER", "long": "BIGINT", "double": "DOUBLE", "boolean": "BOOLEAN", "timestamp": "TIMESTAMP"}
	seen := map[string]bool{}
	for _, tb := range pin.Tables() {
		if len(tb.Files) != 2 {
			t.Errorf("table %s has %d files, want 2", tb.Name, len(tb.Files))
		}
		from := "read_parquet(['" + tb.Files[0].Path + "','" + tb.Files[1].Path + "'])"
		if _, err := db.Exec("create view " + tb.Name + " as select * from " + from); err != nil {
			t.Fatal(err)
		}
		rows, err := db.Query("select column_name, column_type from (describe select * from " + from + ")")
		if err != nil {
			t.Fatal(err)
		}
		var got, want [][2]string
		for rows.Next() {
			var c [2]string
			if err := rows.Scan(&c[0], &c[1]); err != nil {
				t.Fatal(err)
			}
			got = append(got, c)
		}
		if err := rows.Err(); err != nil {
			t.Fatal(err)
		}
		for _, c := range tb.Columns {
			want = append(want, [2]string{c.Name, types[c.Type]})
			seen[c.Type] = true
		}
		if d := gocmp.Diff(want, got); d != "" {
			t.Errorf("table %s (-want +got):\n%s", tb.Name, d)
		}
		// Field ids, and required as the schema says it, in the file itself.
		var ids, required int
		if err := db.QueryRow("select count(distinct field_id), count(*) filter (repetition_type = 'REQUIRED' and num_children is null) from parquet_schema('"+tb.Files[0].Path+"') where field_id is not null").Scan(&ids, &required); err != nil {
			t.Fatal(err)
		}
		if ids != len(tb.Columns) || required == 0 {
			t.Errorf("table %s: %d field ids for %d columns, %d of them required", tb.Name, ids, len(tb.Columns), required)
		}
		var root string
		if err := db.QueryRow("select repetition_type from parquet_schema('" + tb.Files[0].Path + "') limit 1").Scan(&root); err != nil {
			t.Fatal(err)
		}
		if root != "REQUIRED" {
			t.Errorf("table %s: the root is %s", tb.Name, root)
		}
	}
	if len(seen) != len(types) {
		t.Errorf("types seen: %v", seen)
	}

	for query, want := range map[string]string{
		"select count(*), count(vin), count(raw_value), count(value), count(passed), count(margin) from readings":                  "[6 4 3 3 3 0]",
		"select min(read_at), max(read_at) from readings":                                                                          "[2026-03-02 06:14:09.123456 +0000 UTC 2026-03-02 08:14:09.123456 +0000 UTC]",
		"select test, raw_value, raw_max, value, state, passed, coding, mid, cid from readings where report_id = 'r0' and ord = 0": "[m21.t89 -5 32767 -0.625 ok true 1 33 <nil>]",
		"select state, value, passed, odometer_km from readings where report_id = 'r0' and ord = 1":                                "[not_run <nil> <nil> 48211.4]",
		"select report_id, digest, results, codes, stream_seq, clock_ok, fuel_level_pct from reports where not clock_ok":           "[r1 -2 2 1 2 false <nil>]",
		"select count(*), min(kind), min(code) from codes where read_at < timestamp '2026-03-02 07:00:00'":                         "[1 confirmed P0420]",
		"select count(*) from readings join reports using (report_id) join codes using (report_id)":                                "[6]",
	} {
		if got := one(t, db, query); got != want {
			t.Errorf("%s\n got %s\nwant %s", query, got, want)
		}
	}
}

func commit(t *testing.T, l *lake.Lake, seq uint64) {
	t.Helper()
	if err := l.Commit(t.Context(), lake.Position{Stream: "s@1", Seq: seq}); err != nil {
		t.Fatal(err)
	}
}

// one is the first row of a query.
func one(t *testing.T, db *sql.DB, query string) string {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	if !rows.Next() {
		t.Fatalf("%s: no row (%v)", query, rows.Err())
	}
	values, into := make([]any, len(names)), make([]any, len(names))
	for i := range values {
		into[i] = &values[i]
	}
	if err := rows.Scan(into...); err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(values)
}
