package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	query "marginline/sql"
)

// asProgram makes the test binary be the program: the tests run it as a process of its own, which can be
// killed.
const asProgram = "MARGINLINE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == query.WorkerCommand {
		os.Exit(query.Worker(os.Stdin, os.Stdout))
	}
	if os.Getenv(asProgram) != "" {
		os.Unsetenv(asProgram)
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
		stop()
		os.Exit(code)
	}
	os.Exit(m.Run())
}

// program is the command line as a process that has not been started.
func program(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), asProgram+"=1")
	return cmd
}

// must runs the command line in this process and returns its stdout.
func must(t *testing.T, args ...string) string {
	t.Helper()
	out, errs, code := try(t, args...)
	if code != exitOK {
		t.Fatalf("marginline %s: exit %d\n%s", strings.Join(args, " "), code, errs)
	}
	return out
}

// try runs the command line in this process.
func try(t *testing.T, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(""), &out, &errs)
	return out.String(), errs.String(), code
}

// rows runs a query and returns its rows.
func rows(t *testing.T, data, query string) []map[string]any {
	t.Helper()
	out := must(t, "sql", "--data", data, "-o", "json", query)
	var v []map[string]any
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatalf("%s\n%v\n%s", query, err, out)
	}
	return v
}

// one runs a query that gives one number.
func one(t *testing.T, data, query string) float64 {
	t.Helper()
	r := rows(t, data, query)
	if len(r) != 1 || len(r[0]) != 1 {
		t.Fatalf("%s: want one number, got %v", query, r)
	}
	for _, v := range r[0] {
		f, ok := v.(float64)
		if !ok {
			t.Fatalf("%s: want a number, got %v", query, v)
		}
		return f
	}
	return 0
}

// same compares two texts and shows the first line that differs.
func same(t *testing.T, what, want, got string) {
	t.Helper()
	if want == got {
		return
	}
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range max(len(w), len(g)) {
		a, b := "(nothing)", "(nothing)"
		if i < len(w) {
			a = w[i]
		}
		if i < len(g) {
			b = g[i]
		}
		if a != b {
			t.Errorf("%s: line %d differs\nwant %s\ngot  %s", what, i+1, a, b)
			return
		}
	}
}

// write puts text into a new file and returns its path.
func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// within waits for a condition, at most d.
func within(t *testing.T, d time.Duration, what string, cond func() bool) {
	t.Helper()
	deadline := time.Now().Add(d)
	for !cond() {
		if time.Now().After(deadline) {
			t.Fatalf("not within %v: %s", d, what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// history is everything a test compares of a data folder: every reading, and the alert book.
func history(t *testing.T, data string) (readings, alerts string) {
	t.Helper()
	readings = must(t, "sql", "--data", data, "-o", "csv",
		"select count(*) n, count(distinct report_id) reports, sum(hash(unit, vin, device, report_id, ecu, test, raw_value, raw_min, raw_max, state, epoch_us(read_at)) % 1000000007) h from readings")
	readings += must(t, "sql", "--data", data, "-o", "csv", driftDigest)
	alerts = must(t, "alerts", "list", "--all", "--data", data, "-o", "json")
	return readings, alerts
}

// simulated writes an invented fleet and returns the paths of its reports and roster.
func simulated(t *testing.T, units, days int, seed int) (reports, roster string) {
	t.Helper()
	dir := t.TempDir()
	reports, roster = filepath.Join(dir, "reports.ndjson"), filepath.Join(dir, "roster.csv")
	must(t, "simulate", "-o", reports, "--roster", roster, "--units", fmt.Sprint(units), "--days", fmt.Sprint(days), "--seed", fmt.Sprint(seed))
	return reports, roster
}
