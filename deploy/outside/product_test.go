package outside

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// program is the program that made the lake.
func program(t *testing.T) string {
	t.Helper()
	path := os.Getenv("MARGINLINE")
	if path == "" {
		path = filepath.Join("..", "..", "marginline")
	}
	if _, err := os.Stat(path); err != nil {
		t.Fatalf("no program to test: %v (make build makes it, or name one in MARGINLINE)", err)
	}
	return path
}

// marginline runs the program and returns what it prints.
func marginline(t *testing.T, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), program(t), args...)
	cmd.Env = append(os.Environ(), "MARGINLINE_FLUSH_ROWS=3000", "MARGINLINE_LAKE_EVERY=0")
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("marginline %s: %v\n%s", strings.Join(args, " "), err, errs.String())
	}
	return out.Bytes()
}

// makeLake imports an invented fleet and returns the data folder.
func makeLake(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	data, reports, roster := filepath.Join(dir, "data"), filepath.Join(dir, "reports.ndjson"), filepath.Join(dir, "roster.csv")
	marginline(t, "simulate", "-o", reports, "--roster", roster, "--units", "24", "--days", "70", "--seed", "5", "--delivery-faults")
	marginline(t, "import", "--data", data, "--roster", roster, reports)
	// A unit leaves the roster and comes back: its rows of drift are of several folds, with an end mark between them.
	text, err := os.ReadFile(roster)
	if err != nil {
		t.Fatal(err)
	}
	list := strings.SplitAfter(string(text), "\n")
	less := filepath.Join(dir, "less.csv")
	if err := os.WriteFile(less, []byte(strings.Join(append(list[:1:1], list[2:]...), "")), 0o600); err != nil {
		t.Fatal(err)
	}
	marginline(t, "import", "--data", data, "--roster", less)
	marginline(t, "import", "--data", data, "--roster", roster)
	return data
}

// duck runs a query; numbers keep their digits.
func duck(t *testing.T, data, query string) []map[string]any {
	t.Helper()
	dec := json.NewDecoder(bytes.NewReader(marginline(t, "sql", "--data", data, "-o", "json", query)))
	dec.UseNumber()
	var rows []map[string]any
	if err := dec.Decode(&rows); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return rows
}

// duckTypes are the columns of a view and their types.
func duckTypes(t *testing.T, data, view string) map[string]string {
	t.Helper()
	types := map[string]string{}
	for _, r := range duck(t, data, fmt.Sprintf("select column_name, column_type from (describe %s)", view)) {
		types[r["column_name"].(string)] = r["column_type"].(string)
	}
	return types
}

// plain is a value of an answer as this package compares it: nil, bool, int64, float64, string; a time is its
// microseconds since 1970.
func plain(t *testing.T, typ string, v any) any {
	t.Helper()
	fail := func(err error) {
		if err != nil {
			t.Fatalf("a %s that is %v: %v", typ, v, err)
		}
	}
	if v == nil {
		return nil
	}
	switch typ {
	case "VARCHAR", "BOOLEAN":
		return v
	case "INTEGER", "BIGINT":
		n, err := strconv.ParseInt(v.(json.Number).String(), 10, 64)
		fail(err)
		return n
	case "DOUBLE":
		f, err := v.(json.Number).Float64()
		fail(err)
		return f
	case "TIMESTAMP":
		at, err := time.Parse(time.RFC3339Nano, v.(string))
		fail(err)
		return at.UnixMicro()
	}
	t.Fatalf("the view has a column of type %s, which this test does not know", typ)
	return nil
}
