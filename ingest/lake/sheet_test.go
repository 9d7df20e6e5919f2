package lake

import (
	"bytes"
	"database/sql"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// DuckDB reads a sheet back: types, values and nulls.
func TestSheetIsReadByDuckDB(t *testing.T) {
	at := time.Date(2026, 3, 2, 6, 14, 9, 123456000, time.UTC)
	var file bytes.Buffer
	err := WriteSheet(&file, []string{"name", "n", "share", "ok", "at", "none"}, [][]any{
		{"first", 3, 0.25, true, at, nil},
		{nil, nil, math.NaN(), nil, time.Time{}, nil},
		{"a\xffb", -1, math.Inf(1), false, at, nil},
	})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "sheet.parquet")
	if err := os.WriteFile(path, file.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query("select concat_ws(' ', coalesce(name, '-'), coalesce(n, -9), coalesce(share, -9), coalesce(ok, false), coalesce(epoch_us(at), 0), typeof(n), typeof(share), typeof(at), none is null) from read_parquet('" + path + "')")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var got []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		got = append(got, s)
	}
	want := []string{
		"first 3 0.25 true 1772432049123456 BIGINT DOUBLE TIMESTAMP true",
		"- -9 -9.0 false 0 BIGINT DOUBLE TIMESTAMP true",
		"a\uFFFDb -1 -9.0 false 1772432049123456 BIGINT DOUBLE TIMESTAMP true",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, bad := range [][][]any{{{1}, {"x"}}, {{struct{}{}}}} {
		if err := WriteSheet(&file, []string{"mixed"}, bad); err == nil || !strings.Contains(err.Error(), "mixed") {
			t.Errorf("%v: %v, want an error that names the column", bad, err)
		}
	}
	if err := WriteSheet(&file, []string{"a"}, nil); err != nil {
		t.Errorf("no rows: %v", err)
	}
}
