package sql_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"marginline/sql"
)

// fenced opens an Engine whose lake is the fixture's folder alone.
func fenced(t *testing.T, f *fixture, change ...func(*sql.Config)) *sql.Engine {
	t.Helper()
	if words, ok := sql.Fence(); !ok {
		t.Fatalf("this kernel cannot confine a worker, so the fence cannot be tried: %s", words)
	}
	return open(t, append(change, func(c *sql.Config) { c.Lake, c.TempDir = f.dir, t.TempDir() })...)
}

// A worker that judges nothing: what holds here holds when a statement slips past the judge.
func bare(c *sql.Config) {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	c.Command = []string{self, bareWorker}
}

func TestFence_HoldsWithoutTheJudge(t *testing.T) {
	f := newFixture(t)
	f.add("readings", "select 'd1' as device")
	outside := t.TempDir()
	secret := filepath.Join(outside, "secret.csv")
	if err := os.WriteFile(secret, []byte("word\nxyzzy\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	parquet := filepath.Join(outside, "secret.parquet")
	if _, err := f.db.Exec("copy (select 'xyzzy' as word) to '" + parquet + "'"); err != nil {
		t.Fatal(err)
	}
	e := fenced(t, f, bare)
	link := filepath.Join(f.dir, "link.csv") // a name inside for a file outside
	if err := os.Symlink(secret, link); err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{
		"select * from read_csv('" + secret + "')",
		"select * from read_csv('" + link + "')",
		"select * from read_text('" + secret + "')",
		"select * from read_text('" + f.dir + "/../" + filepath.Base(outside) + "/secret.csv')",
		"select * from read_blob('" + secret + "')",
		"select * from read_json('" + secret + "')",
		"select * from read_parquet('" + parquet + "')",
		"select * from parquet_metadata('" + parquet + "')",
		"select * from sniff_csv('" + secret + "')",
		"select * from '" + parquet + "'",
		"select * from read_text('/etc/passwd')",
		"select * from read_text('/proc/self/environ')",
		fmt.Sprintf("select * from read_text('/proc/%d/environ')", os.Getpid()),
		"copy (select 1) to '" + outside + "/out.csv'",
		"copy (select 1) to '" + f.dir + "/out.csv'",
		"copy (select 1) to '" + f.tables[0].Files[0].Path + "'",
		"attach '" + outside + "/x.db'",
		"attach '" + f.dir + "/x.db'",
		"export database '" + outside + "/x'",
		"install httpfs",
		"install '" + secret + "'",
		"load '" + secret + "'",
		"set memory_limit = '100GB'",
		"set threads = 64",
		"set temp_directory = '" + outside + "'",
		"reset max_temp_directory_size",
		"set lock_configuration = false",
		"pragma memory_limit = '100GB'",
		"set enable_external_access = true",
	} {
		r, err := e.Query(t.Context(), f, q)
		switch {
		case err == nil && strings.Contains(fmt.Sprint(r.Rows), "xyzzy"), err == nil && strings.Contains(q, "/proc/"), err == nil && strings.Contains(q, "passwd"):
			t.Errorf("%s\nread what it must not: %v", q, r.Rows)
		case err == nil:
			t.Errorf("%s\nwas done: %v", q, r.Rows)
		}
	}
	// A name pattern sees no folder but its own.
	for _, q := range []string{"select * from glob('/*')", "select * from glob('" + outside + "/*')"} {
		if r, err := e.Query(t.Context(), f, q); err == nil && len(r.Rows) > 0 {
			t.Errorf("%s\nlists %v", q, r.Rows)
		}
	}
	for dir, want := range map[string]int{outside: 2, f.dir: 2} {
		if left, err := os.ReadDir(dir); err != nil || len(left) != want {
			t.Errorf("%s: %d files, want %d: %v", dir, len(left), want, err)
		}
	}
	if got := rows(t, e, f, "select count(*) from read_parquet('"+f.tables[0].Files[0].Path+"')"); got != "1\n" {
		t.Errorf("the lake itself cannot be read: %s: the test shows nothing", got)
	}
}

// Every setting that DuckDB has is locked.
func TestFence_EverySettingIsLocked(t *testing.T) {
	f := newFixture(t)
	e := fenced(t, f, bare)
	r, err := e.Query(t.Context(), f, "select name, value from duckdb_settings()")
	if err != nil || len(r.Rows) < 50 {
		t.Fatalf("settings: %v", err)
	}
	for _, row := range r.Rows {
		if row[0] == "schema" || row[0] == "search_path" {
			continue // of the connection, which ends with its query
		}
		for _, q := range []string{fmt.Sprintf("set %s = '%v'", row[0], row[1]), fmt.Sprintf("reset %s", row[0])} {
			if _, err := e.Query(t.Context(), f, q); err == nil || !strings.Contains(err.Error(), "locked") {
				t.Errorf("%s: %v", q, err)
			}
		}
	}
	want := map[string]string{"autoinstall_known_extensions": "false", "autoload_known_extensions": "false", "allow_community_extensions": "false",
		"allow_unsigned_extensions": "false", "allow_persistent_secrets": "false", "lock_configuration": "true", "threads": "2"}
	for _, row := range r.Rows {
		if w, ok := want[row[0].(string)]; ok && row[1] != w {
			t.Errorf("setting %v is %v: want %s", row[0], row[1], w)
		}
		delete(want, row[0].(string))
	}
	if len(want) > 0 {
		t.Errorf("settings that this DuckDB does not have: %v", want)
	}
}

// The judge is asked for every table function and every setting that DuckDB knows.
func TestJudge_RefusesEveryTableFunctionAndSetting(t *testing.T) {
	e, f := open(t), newFixture(t)
	names := func(q string) (out []string) {
		rows, err := f.db.Query(q)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var s string
			if err := rows.Scan(&s); err != nil {
				t.Fatal(err)
			}
			out = append(out, s)
		}
		return out
	}
	functions := names("select distinct function_name from duckdb_functions() where function_type in ('table', 'table_macro', 'pragma') order by 1")
	if len(functions) < 50 {
		t.Fatalf("only %d functions", len(functions))
	}
	for _, name := range functions {
		switch name {
		case "unnest", "range", "generate_series":
			continue
		}
		for _, q := range []string{"select * from " + name + "('/etc/passwd')", "call " + name + "()"} {
			var refused *sql.Error
			if _, err := e.Query(t.Context(), f, q); !errors.As(err, &refused) || refused.Kind != sql.KindRefused && refused.Kind != sql.KindSyntax {
				t.Errorf("%s: %v", q, err)
			}
		}
	}
	for _, name := range names("select name from duckdb_settings()") {
		for _, q := range []string{"set " + name + " = 1", "reset " + name, "pragma " + name + " = 1"} {
			var refused *sql.Error
			if _, err := e.Query(t.Context(), f, q); !errors.As(err, &refused) || refused.Kind != sql.KindRefused && refused.Kind != sql.KindSyntax {
				t.Errorf("%s: %v", q, err)
			}
		}
	}
}

// What a worker holds without DuckDB counting it ends the worker, not the service.
func TestFence_MemoryBombs(t *testing.T) {
	f := newFixture(t)
	e := fenced(t, f, func(c *sql.Config) {
		c.MemoryLimit, c.MaxProcess, c.TempSize, c.Timeout = "200MB", 500<<20, "50MB", 4*time.Second
	})
	for _, q := range []string{
		"select string_agg(md5(i::varchar), '') from range(100000000) t(i)",
		"select list(i) from range(400000000) t(i)",
		"select list(md5(i::varchar) order by i desc) from range(30000000) t(i)",
		"with recursive n as (select 'x' as s union all select s || s from n) select max(length(s)) from n",
		"select count(*) from (select distinct md5(i::varchar) || md5((i+1)::varchar) from range(100000000) t(i))",
		"select json_group_array(md5(i::varchar)) from range(50000000) t(i)",
		"select a.i, b.i from range(1000000) a(i), range(1000000) b(i) order by hash(a.i, b.i)",
	} {
		_, err := e.Query(t.Context(), f, q)
		var stopped *sql.Error
		if !errors.As(err, &stopped) || stopped.Kind != sql.KindMemory && stopped.Kind != sql.KindTimeout && stopped.Kind != sql.KindInvalid && stopped.Kind != sql.KindCrashed {
			t.Errorf("%s\n%v", q, err)
		}
		if got := rows(t, e, f, "select 1"); got != "1\n" {
			t.Fatalf("after %s: %s", q, got)
		}
	}
}

func TestFence_AWorkerThatDies(t *testing.T) {
	f := newFixture(t)
	f.add("readings", "select 'd1' as device")
	e := fenced(t, f)
	rows(t, e, f, "select 1") // a worker is there now
	for _, signal := range []syscall.Signal{syscall.SIGKILL, syscall.SIGABRT, syscall.SIGSEGV} {
		pid := e.Pids()[0]
		src := pinFunc(func(context.Context) (sql.Snapshot, error) { // in the middle of a query
			kill(t, pid, signal)
			return f, nil
		})
		_, err := e.Query(t.Context(), src, "select count(*) from readings")
		var crashed *sql.Error
		if !errors.As(err, &crashed) || crashed.Kind != sql.KindCrashed || !strings.Contains(err.Error(), "nothing else was harmed") {
			t.Errorf("%v: %v", signal, err)
		}
		if got := rows(t, e, f, "select count(*) from readings"); got != "1\n" {
			t.Errorf("after %v: %s", signal, got)
		}
		kill(t, e.Pids()[0], signal) // between two queries: nobody is told
		if got := rows(t, e, f, "select count(*) from readings"); got != "1\n" {
			t.Errorf("after %v between queries: %s", signal, got)
		}
	}
}

// kill sends a signal and waits until the process is gone.
func kill(t *testing.T, pid int, signal syscall.Signal) {
	t.Helper()
	if err := syscall.Kill(pid, signal); err != nil {
		t.Error(err)
	}
	for deadline := time.Now().Add(30 * time.Second); syscall.Kill(pid, 0) == nil; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Errorf("process %d survives %v", pid, signal)
			return
		}
	}
}

func TestFence_NothingIsLeftBehind(t *testing.T) {
	f := newFixture(t)
	dir := t.TempDir()
	e := open(t, func(c *sql.Config) { c.Lake, c.TempDir, c.MemoryLimit, c.Timeout = f.dir, dir, "64MB", 2*time.Second })
	rows(t, e, f, "select 1")
	pid := e.Pids()[0]
	_, err := e.Query(t.Context(), f, "select i, md5(i::varchar) from range(100000000) t(i) order by 2")
	if err == nil {
		t.Error("the query ended: the test shows nothing")
	}
	if err := e.Close(); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left in the temp folder: %v %v", left, err)
	}
	if err := syscall.Kill(pid, 0); !errors.Is(err, syscall.ESRCH) {
		t.Errorf("the worker is still there: %v", err)
	}
}

func TestFence_LowestPriorityAndNoSecrets(t *testing.T) {
	f := newFixture(t)
	t.Setenv("FENCE_TEST_SECRET", "xyzzy")
	e := fenced(t, f)
	rows(t, e, f, "select count(*) from range(10000000) t(i) where hash(i) % 3 = 0") // DuckDB's threads are there now
	pid := e.Pids()[0]
	tasks, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	if err != nil || len(tasks) < 3 {
		t.Fatalf("threads: %d %v", len(tasks), err)
	}
	for _, task := range tasks {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%s/stat", pid, task.Name()))
		if err != nil {
			t.Fatal(err)
		}
		fields := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+2:]))
		if nice := fields[16]; nice != "19" { // field 19 of proc(5)
			t.Errorf("thread %s has nice %s", task.Name(), nice)
		}
	}
	if b, err := os.ReadFile(fmt.Sprintf("/proc/%d/oom_score_adj", pid)); err != nil || strings.TrimSpace(string(b)) != "1000" {
		t.Errorf("oom_score_adj %q %v", b, err)
	}
	if b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/environ", pid)); strings.Contains(string(b), "xyzzy") {
		t.Error("the worker has the environment of the service")
	}
}

func TestQueue_TellsHowManyAreAhead(t *testing.T) {
	e, f := open(t, func(c *sql.Config) { c.Parallel = 1 }), newFixture(t)
	long, stop := context.WithCancel(t.Context())
	pinned := make(chan struct{})
	src := pinFunc(func(context.Context) (sql.Snapshot, error) { close(pinned); return f, nil })
	var wg sync.WaitGroup
	wg.Go(func() {
		_, _ = e.Query(long, src, "with recursive n as (select 1 as i union all select i + 1 from n) select max(i), (select count(*) from units) from n")
	})
	<-pinned
	told := make(chan [2]int, 10)
	var second sync.WaitGroup
	for k := range 2 {
		came := make(chan struct{})
		var once sync.Once
		second.Go(func() {
			_, err := e.Rows(t.Context(), f, sql.Request{Query: "select 1", OnWait: func(ahead int) {
				told <- [2]int{k, ahead}
				once.Do(func() { close(came) })
			}}, sql.NewCSV(&strings.Builder{}))
			if err != nil {
				t.Errorf("query %d: %v", k, err)
			}
		})
		<-came
	}
	stop()
	wg.Wait()
	second.Wait()
	close(told)
	var got []string
	for x := range told {
		got = append(got, fmt.Sprint(x))
	}
	if s := strings.Join(got, " "); !strings.HasPrefix(s, "[0 0] [1 1]") {
		t.Errorf("told %s", s)
	}
}

func TestFence_MissingAndRequired(t *testing.T) {
	err := sql.Config{Fence: "perhaps"}.Validate()
	if err == nil || !strings.Contains(err.Error(), "fence") {
		t.Errorf("a fence that is none: %v", err)
	}
	words, ok := sql.Fence()
	if ok != strings.HasPrefix(words, "Landlock") {
		t.Errorf("%q %v", words, ok)
	}
}

func TestParameters(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.units([3]string{"bus-1", "VIN1", "d1"}, [3]string{"bus-2", "VIN2", "d2"})
	f.add("readings", "select * from (values ('VIN1', timestamp '2026-01-01', 0.5), ('VIN2', timestamp '2026-01-02', 0.25)) t(vin, read_at, margin)")
	ask := func(q string, args ...sql.Arg) string {
		var b strings.Builder
		to := sql.NewCSV(&b)
		if _, err := e.Rows(t.Context(), f, sql.Request{Query: q, Args: args}, to); err != nil {
			return "error: " + err.Error()
		}
		if err := to.Close(); err != nil {
			t.Fatal(err)
		}
		_, rest, _ := strings.Cut(strings.ReplaceAll(b.String(), "\r\n", "\n"), "\n")
		return rest
	}
	at := time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		query, want string
		args        []sql.Arg
	}{
		{"select unit, margin from readings where unit = ?", "bus-1,0.5\n", []sql.Arg{{Value: "bus-1"}}},
		{"select unit from readings where unit in ($1, $2) order by 1 limit 1", "bus-1\n", []sql.Arg{{Value: "bus-1"}, {Value: "bus-2"}}},
		{"select unit from readings where read_at >= $since and margin < $most", "bus-2\n", []sql.Arg{{Name: "most", Value: 0.4}, {Name: "since", Value: at}}},
		{"select unit from readings where read_at >= $since", "bus-2\n", []sql.Arg{{Name: "since", Value: "2026-01-02"}}},
		{"select ? + 1", "42\n", []sql.Arg{{Value: int64(41)}}},
		{"select ?, ?", ",true\n", []sql.Arg{{Value: nil}, {Value: true}}},
		{"select $a", "'; drop view readings; --\n", []sql.Arg{{Name: "a", Value: "'; drop view readings; --"}}},
		{"select $a", "error: the parameter a has no value", nil},
		{"select $a", "error: values given: 2, places for them in the query: 1", []sql.Arg{{Name: "a", Value: "x"}, {Name: "b", Value: "y"}}},
		{"select '?', \"$a\", $$?$$, $x$ $a $x$, $a -- ?\n/* $b */ from (select 1 as \"$a\")", "?,1,?,\" $a \",7\n", []sql.Arg{{Name: "a", Value: int64(7)}}},
		{"select $a - $b", "-0.5\n", []sql.Arg{{Name: "a", Value: int64(-1)}, {Name: "b", Value: -0.5}}},
		{"select i from range(9) t(i) limit ?", "0\n", []sql.Arg{{Value: int64(1)}}},
		{"select lpad('x', ?, 'y')", "error: the length given to lpad", []sql.Arg{{Value: int64(2000000000)}}},
	} {
		got := ask(test.query, test.args...)
		if got != test.want && !(strings.HasPrefix(test.want, "error") && strings.HasPrefix(got, test.want)) {
			t.Errorf("%s %v\n got %q\nwant %q", test.query, test.args, got, test.want)
		}
	}
}
