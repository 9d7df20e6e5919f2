package sql_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"marginline/sql"
)

var update = flag.Bool("update", false, "write what the queries of testdata/*.test answer into them")

// A script is a file of sections, each led by a line "== kind [name]":
//
//	== data TABLE [without COLUMN ...]   a query whose rows become one Parquet file of a lake table
//	== small NAME                        a query whose rows become a small table
//	== query                             a query
//	== want                              its answer as CSV, or "error: " and a part of the message
func TestScripts(t *testing.T) {
	paths, err := filepath.Glob("testdata/*.test")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no scripts: %v", err)
	}
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			e, f := open(t), newFixture(t)
			parts := strings.Split("\n"+string(b), "\n== ")
			query, queries := "", 0
			for i, part := range parts[1:] {
				head, body, _ := strings.Cut(part, "\n")
				words := strings.Fields(head)
				switch words[0] {
				case "data":
					var without []string
					if len(words) > 2 {
						without = words[3:]
					}
					f.add(words[1], body, without...)
				case "small":
					f.smallFrom(words[1], body)
				case "query":
					query = strings.TrimSpace(body)
				case "want":
					queries++
					got := answer(t, e, f, query)
					want := strings.TrimSpace(body)
					if *update && !strings.HasPrefix(want, "error: ") {
						parts[i+1] = "want\n" + got + "\n"
						continue
					}
					if text, ok := strings.CutPrefix(want, "error: "); ok && strings.HasPrefix(got, "error: ") && strings.Contains(got, text) {
						continue
					}
					if got != want {
						t.Errorf("%s\n--- got\n%s\n--- want\n%s", query, got, want)
					}
				default:
					t.Fatalf("section %q", head)
				}
			}
			if queries == 0 {
				t.Fatal("a script without a query")
			}
			if *update {
				text := strings.TrimPrefix(strings.Join(parts, "\n== "), "\n")
				if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

func answer(t *testing.T, e *sql.Engine, f *fixture, query string) string {
	t.Helper()
	r, err := e.Query(t.Context(), f, query)
	if err != nil {
		return "error: " + err.Error()
	}
	var b strings.Builder
	if err := r.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(strings.ReplaceAll(b.String(), "\r\n", "\n"))
}

// smallFrom makes a small table from a query.
func (f *fixture) smallFrom(name, query string) {
	f.t.Helper()
	in, err := f.db.Query(query)
	if err != nil {
		f.t.Fatalf("%v\n%s", err, query)
	}
	defer in.Close()
	var out sql.Rows
	if out.Columns, err = in.Columns(); err != nil {
		f.t.Fatal(err)
	}
	var all [][]any
	for in.Next() {
		row, into := make([]any, len(out.Columns)), make([]any, len(out.Columns))
		for i := range row {
			into[i] = &row[i]
		}
		if err := in.Scan(into...); err != nil {
			f.t.Fatal(err)
		}
		for i, v := range row {
			switch x := v.(type) {
			case int32:
				row[i] = int64(x)
			case []any:
				list := []string{}
				for _, s := range x {
					list = append(list, fmt.Sprint(s))
				}
				row[i] = list
			case time.Time, nil, string, bool, float64, int64:
			default:
				f.t.Fatalf("%s: %T", out.Columns[i], v)
			}
		}
		all = append(all, row)
	}
	out.Rows = func(yield func([]any) bool) {
		for _, row := range all {
			if !yield(row) {
				return
			}
		}
	}
	f.small[name] = out
}
