package sql_test

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"marginline/sql"
)

// commentParts are the parts that the comment of every column has.
var commentParts = regexp.MustCompile(`^\S.* \| unit: \S.* \| null: \S.* \| since: [0-9]+$`)

// Every view and every column has a comment with all its parts, as DuckDB itself gives it inside the fence, and it
// is the one in testdata/dictionary.golden: a change of what a column means is seen in review.
func TestComments_Golden(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.add("readings", "select 'd1' as device")
	ask := func(q string) [][]any {
		r, err := e.Query(t.Context(), f, q)
		if err != nil {
			t.Fatalf("%s\n%v", q, err)
		}
		return r.Rows
	}
	var b strings.Builder
	views, columns := 0, 0
	for _, row := range ask("select view_name, comment, sql from duckdb_views() order by 1") {
		views++
		if s, _ := row[1].(string); !regexp.MustCompile(`^\S.* \| since: [0-9]+$`).MatchString(s) || row[2] != nil {
			t.Errorf("view %v: comment %v, text %v", row[0], row[1], row[2])
		}
		fmt.Fprintf(&b, "%v: %v\n", row[0], row[1])
	}
	for _, row := range ask("select table_name, column_name, data_type, comment from duckdb_columns() order by table_name, column_index") {
		columns++
		if s, _ := row[3].(string); !commentParts.MatchString(s) {
			t.Errorf("%v.%v: comment %q: want meaning | unit: | null: | since:", row[0], row[1], row[3])
		}
		fmt.Fprintf(&b, "%v.%v %v: %v\n", row[0], row[1], row[2], row[3])
	}
	want := 0
	for _, v := range sql.Views() {
		want += len(v.Columns)
	}
	if views != len(sql.Views()) || columns != want {
		t.Errorf("%d views, %d columns: want %d and %d", views, columns, len(sql.Views()), want)
	}
	const golden = "testdata/dictionary.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if was, err := os.ReadFile(golden); err != nil || string(was) != b.String() {
		t.Errorf("the comments differ from %s (%v); when that is meant, run the test with -update and read the difference\n%s", golden, err, b.String())
	}
	// Beside a view that has rows, and with what a tool of today asks.
	if got := fmt.Sprint(ask(`select count(*), (select count(*) from readings), (select comment from duckdb_columns() c
		where c.table_name = 'readings' and c.column_name = 'ambient_c') like '%unit: Cel%' from duckdb_columns() where table_name = 'readings'`)); got != "[[36 1 true]]" {
		t.Errorf("beside a view: %s", got)
	}
	// Nothing beneath the views is shown, and nothing else of the catalogue.
	for _, q := range []string{"select 1 from duckdb_columns() where table_name not in ('readings','reports','codes','series','drift','alerts','work_orders','units')",
		"select 1 from duckdb_views() where sql is not null or view_name like 'duckdb%'"} {
		if got := ask("select count(*) from (" + q + ")"); fmt.Sprint(got) != "[[0]]" {
			t.Errorf("%s: %v", q, got)
		}
	}
	for _, q := range []string{"from system.main.duckdb_columns()", "from duckdb_columns('x')", "from duckdb_columns", "from duckdb_tables()", "select duckdb_columns()"} {
		if _, err := e.Query(t.Context(), f, q); err == nil {
			t.Errorf("%s: answered", q)
		}
	}
}

// Each view says how far back AS OF reaches; one that cannot go back says why and what to ask instead.
func TestMayGoBack(t *testing.T) {
	as, err := sql.ParseAsOf("2026-03-01")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"readings": "yes", "reports": "yes", "codes": "yes", "units": "present", "series": "no", "drift": "no", "alerts": "no", "work_orders": "no"}
	for _, v := range sql.Views() {
		if v.Past.Kind != want[v.Name] || v.Past.Words == "" || (v.Past.Kind == "no") != (v.Past.Instead != "") {
			t.Errorf("%s: %+v", v.Name, v.Past)
		}
		notes, err := as.MayGoBack([]string{v.Name})
		switch v.Past.Kind {
		case "yes":
			if err != nil || len(notes) > 0 {
				t.Errorf("%s: %v %v", v.Name, notes, err)
			}
		case "present":
			if err != nil || len(notes) != 1 || !strings.Contains(notes[0], "2026-03-01T00:00:00Z") {
				t.Errorf("%s: %v %v", v.Name, notes, err)
			}
		case "no":
			if err == nil || !strings.Contains(err.Error(), v.Name+" cannot be read as of 2026-03-01T00:00:00Z: ") || !strings.Contains(err.Error(), v.Past.Instead) {
				t.Errorf("%s: %v", v.Name, err)
			}
		}
		if _, err := (sql.AsOf{}).MayGoBack([]string{v.Name}); err != nil {
			t.Errorf("%s now: %v", v.Name, err)
		}
	}
}
