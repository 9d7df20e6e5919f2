package sql_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"marginline/sql"
)

func TestQuery_StopsAtItsTime(t *testing.T) {
	// A worker that was killed is replaced within the time of the next query, also on a busy machine.
	e, f := open(t, func(c *sql.Config) { c.Timeout = 4 * time.Second }), newFixture(t)
	for _, q := range []string{
		"with recursive n as (select 1 as i union all select i + 1 from n) select max(i) from n",
		"select count(*) from range(100000) a, range(100000) b, range(1000) c where (a.range * b.range + c.range) % 7 = 8",
		"select i from range(1000000000000) t(i) order by hash(i) desc limit 5",
	} {
		start := time.Now()
		_, err := e.Query(t.Context(), f, q)
		var stopped *sql.Error
		if !errors.As(err, &stopped) || stopped.Kind != sql.KindTimeout && stopped.Kind != sql.KindMemory {
			t.Errorf("%s: %v", q, err)
		}
		if d := time.Since(start); d > 20*time.Second {
			t.Errorf("%s: stopped after %v", q, d)
		}
	}
	if got := rows(t, e, f, "select 1"); got != "1\n" {
		t.Errorf("after that: %s", got)
	}
}

func TestQuery_CallerGivesUp(t *testing.T) {
	e, f := open(t), newFixture(t)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	_, err := e.Query(ctx, f, "with recursive n as (select 1 as i union all select i + 1 from n) select max(i) from n")
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v, want the caller's own error", err)
	}
}

func TestQuery_MemoryIsLimited(t *testing.T) {
	e, f := open(t, func(c *sql.Config) { c.MemoryLimit, c.TempSize = "50MB", "1KB" }), newFixture(t)
	_, err := e.Query(t.Context(), f, "select count(distinct md5(i::varchar)) from range(3000000) t(i)")
	var stopped *sql.Error
	if !errors.As(err, &stopped) || stopped.Kind != sql.KindMemory || !strings.Contains(err.Error(), "50MB") {
		t.Errorf("got %v", err)
	}
}

func TestQuery_SpillsToItsFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "spill")
	e, f := open(t, func(c *sql.Config) { c.MemoryLimit, c.TempDir = "64MB", dir }), newFixture(t)
	query := "select i from (select i, md5(i::varchar) || md5((i + 1)::varchar) as h from range(1000000) t(i) order by h) offset 999999"
	if got := rows(t, e, f, query); !strings.HasSuffix(got, "\n") || got == "\n" {
		t.Errorf("got %q", got)
	}
	e2 := open(t, func(c *sql.Config) { c.MemoryLimit, c.TempSize = "64MB", "1KB" })
	if _, err := e2.Query(t.Context(), f, query); err == nil {
		t.Error("the same query fits without spilling: the test shows nothing")
	}
	if _, err := os.Stat(".tmp"); err == nil {
		t.Error("DuckDB spilled into the working directory")
	}
}

func TestQuery_RowsAreCapped(t *testing.T) {
	e, f := open(t, func(c *sql.Config) { c.MaxRows = 10 }), newFixture(t)
	for q, want := range map[string]struct {
		rows int
		more bool
		last int64
	}{
		"select i from range(1000000000) t(i)":                                     {10, true, 9},
		"select i from range(1000000) t(i) order by i desc":                        {10, true, 999990},
		"select i from range(1000000) t(i) order by i desc limit 11":               {10, true, 999990},
		"select i from range(1000000) t(i) order by i desc limit 10":               {10, false, 999990},
		"select i from range(10) t(i)":                                             {10, false, 9},
		"select i from range(3) t(i); -- three":                                    {3, false, 2},
		"select i, i from range(1000000) t(i) order by i limit 2000 offset 5":      {10, true, 14},
		"select i from range(6) t(i) union all select i from range(6) t(i)":        {10, true, 3},
		"with a as (select i from range(30) t(i)) select i from a order by -i -- ": {10, true, 20},
	} {
		r, err := e.Query(t.Context(), f, q)
		if err != nil {
			t.Errorf("%s: %v", q, err)
			continue
		}
		if len(r.Rows) != want.rows || r.Truncated != want.more || r.Rows[len(r.Rows)-1][0] != want.last {
			t.Errorf("%s: %d rows, truncated %v, last %v; want %v", q, len(r.Rows), r.Truncated, r.Rows[len(r.Rows)-1], want)
		}
	}
}

func TestQuery_TakesTurns(t *testing.T) {
	e, f := open(t, func(c *sql.Config) { c.Parallel = 1 }), newFixture(t)
	long, stop := context.WithCancel(t.Context())
	pinned := make(chan struct{})
	src := pinFunc(func(context.Context) (sql.Snapshot, error) { close(pinned); return f, nil })
	var wg sync.WaitGroup
	wg.Go(func() {
		_, err := e.Query(long, src, "with recursive n as (select 1 as i union all select i + 1 from n) select max(i), (select count(*) from units) from n")
		if !errors.Is(err, context.Canceled) {
			t.Errorf("the first: %v", err)
		}
	})
	<-pinned // the first has its turn
	waiting, give := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer give()
	if _, err := e.Query(waiting, f, "select 1"); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the second did not wait: %v", err)
	}
	stop()
	wg.Wait()
	if got := rows(t, e, f, "select 1"); got != "1\n" {
		t.Errorf("the third: %s", got)
	}
}

func TestQuery_NothingLeaks(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.add("readings", "select 'd1' as device")
	var wg sync.WaitGroup
	for range 8 { // the same names on many connections
		wg.Go(func() {
			for range 5 {
				if got := rows(t, e, f2(t, f), "select count(*), count(unit) from readings"); got != "1,0\n" {
					t.Errorf("got %s", got)
				}
			}
		})
	}
	wg.Wait()
}

// f2 is a second user of the same lake; a fixture itself is not for concurrent use.
func f2(t *testing.T, f *fixture) sql.Source {
	return pinFunc(func(context.Context) (sql.Snapshot, error) { return &fixture{t: t, tables: f.tables}, nil })
}

type pinFunc func(context.Context) (sql.Snapshot, error)

func (p pinFunc) Pin(ctx context.Context, _ []string) (sql.Snapshot, error) { return p(ctx) }

func TestQuery_SourceFails(t *testing.T) {
	e, f := open(t), newFixture(t)
	broken := errors.New("disk on fire")
	_, err := e.Query(t.Context(), pinFunc(func(context.Context) (sql.Snapshot, error) { return nil, broken }), "from units")
	if !errors.Is(err, broken) {
		t.Errorf("pin: %v", err)
	}
	if _, err := e.Query(t.Context(), pinFunc(func(context.Context) (sql.Snapshot, error) { return nil, broken }), "select 1"); err != nil {
		t.Errorf("a query without a view pins: %v", err)
	}
	one := func(v any) func(func([]any) bool) { return func(yield func([]any) bool) { yield([]any{v}) } }
	for name, bad := range map[string]sql.Rows{
		`column "colour" is not in the dictionary`: {Columns: []string{"colour"}},
		"row 1: column unit: int64 7 does not fit": {Columns: []string{"unit"}, Rows: one(7)},
		"row 1 has 1 values: want 2":               {Columns: []string{"unit", "vin"}, Rows: one("x")},
	} {
		f.small["units"] = bad
		if _, err := e.Query(t.Context(), f, "from units"); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("want %q: %v", name, err)
		}
	}
	f.tables[0].Files, f.tables[0].SnapshotID = []sql.File{{Path: "/nonexistent/a.parquet"}}, 5
	if _, err := e.Query(t.Context(), f, "select count(*) from readings"); err == nil {
		t.Error("a missing file was no error")
	}
	if f.pins != 0 {
		t.Errorf("%d pins not released", f.pins)
	}
}

func TestConfig_Validate(t *testing.T) {
	if err := sql.DefaultConfig().Validate(); err != nil {
		t.Error(err)
	}
	if err := (sql.Config{}).Validate(); err != nil {
		t.Error(err)
	}
	err := sql.Config{MemoryLimit: "lots", Threads: -1, MaxRows: -1, MaxStream: -1, Timeout: -1, Parallel: -1}.Validate()
	for _, want := range []string{"memory limit", "threads", "max rows", "max stream", "parallel", "timeout"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %s in %v", want, err)
		}
	}
}
