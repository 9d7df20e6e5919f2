package sql_test

import (
	"database/sql/driver"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	stdsql "database/sql"

	"github.com/marcboeker/go-duckdb"

	"marginline/sql"
)

// benchRows is how many readings the large benchmarks run over: FENCE_BENCH_ROWS, or one million.
func benchRows(b *testing.B) int {
	n, err := strconv.Atoi(os.Getenv("FENCE_BENCH_ROWS"))
	if err != nil {
		return 1_000_000
	}
	return n
}

// A large lake: files of a million readings, 5,000 units, each file sorted by VIN as the lake sorts them. It is kept
// in the folder BENCH_CACHE for the next run, where that is set.
var large = sync.OnceValues(func() (string, error) {
	if dir := os.Getenv("BENCH_CACHE"); dir != "" {
		dir = filepath.Join(dir, "fence")
		return dir, os.MkdirAll(dir, 0o755)
	}
	return os.MkdirTemp("", "fence-bench-")
})

func largeLake(b *testing.B) *fixture {
	f := newFixture(b)
	dir, err := large()
	if err != nil {
		b.Fatal(err)
	}
	f.dir = dir
	var units [][3]string
	for i := range 5000 {
		units = append(units, [3]string{fmt.Sprintf("unit-%04d", i), fmt.Sprintf("9ZZTEST74RA%06d", i), fmt.Sprintf("dgl-%d", i)})
	}
	f.units(units...)
	files := max(1, benchRows(b)/1_000_000)
	for k := range files {
		path := filepath.Join(dir, fmt.Sprintf("readings-%d.parquet", k))
		if _, err := os.Stat(path); err == nil {
			f.tables[0].Files, f.tables[0].SnapshotID = append(f.tables[0].Files, f.known("readings", path)), 2
			continue
		}
		f.add("readings", fmt.Sprintf(`select '9ZZTEST74RA' || printf('%%06d', i %% 5000) as vin, 'dgl-' || (i %% 5000) as device,
			timestamp '2026-01-01' + interval (%d) day + interval (i // 5000) minute as read_at, true as clock_ok,
			'r' || (%d * 1000000 + i // 20) as report_id, 'can' as bus, '7e8' as ecu, 'm' || (i // 5000 %% 20) || '.t01' as test,
			'ok' as state, true as passed, '1' as unit_of_measure, hash(i) %% 10000 / 10000 as value, 1::double as max, 1 - hash(i) %% 10000 / 10000 as margin
			from range(1000000) t(i) order by vin, device, read_at`, k, k))
	}
	return f
}

func openLarge(b *testing.B, f *fixture, change ...func(*sql.Config)) *sql.Engine {
	return open(b, append([]func(*sql.Config){func(c *sql.Config) { c.MemoryLimit, c.Timeout, c.Lake = "1GB", 10*time.Minute, f.dir }}, change...)...)
}

// scans are what the fence is measured by: each reads whole columns.
var scans = []struct{ name, query string }{
	{"count and mean", "select count(*), avg(margin) from %s where state = 'ok'"},
	{"by test", "select test, count(*), avg(margin), min(margin) from %s group by test order by test"},
	{"by vehicle", "select vin, min(margin) from %s group by vin order by 2, 1 limit 20"},
	{"rows out", "select read_at, vin, test, value, margin from %s limit 1000000"},
}

// BenchmarkFence compares the fenced worker with bare DuckDB in this process, turn by turn in one run: ratio is
// the median of fenced over bare. Both answer with an Arrow stream, bare DuckDB without a pipe; the bare one
// runs at the priority of this process, as the worker's would be the lowest.
func BenchmarkFence(b *testing.B) {
	f := largeLake(b)
	e := openLarge(b, f)
	db, err := stdsql.Open("duckdb", "?memory_limit=1GB&threads=2")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	conn, err := db.Conn(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	list := ""
	for _, file := range f.tables[0].Files {
		list += "'" + file.Path + "', "
	}
	bare := func(query string) {
		err := conn.Raw(func(dc any) error {
			a, err := duckdb.NewArrowFromConn(dc.(driver.Conn))
			if err != nil {
				return err
			}
			r, err := a.QueryContext(b.Context(), query)
			if err != nil {
				return err
			}
			for r.Next() {
			}
			r.Release()
			return r.Err()
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	for _, s := range scans {
		b.Run(s.name, func(b *testing.B) {
			var ratios, alone, fenced []float64
			mine, theirs := fmt.Sprintf(s.query, "readings"), fmt.Sprintf(s.query, "read_parquet(["+list+"])")
			for b.Loop() {
				at := time.Now()
				bare(theirs)
				lone := time.Since(at)
				at = time.Now()
				if _, err := e.Arrow(b.Context(), f, sql.Request{Query: mine}, func(in io.Reader) error { _, err := io.Copy(io.Discard, in); return err }); err != nil {
					b.Fatal(err)
				}
				took := time.Since(at)
				ratios = append(ratios, float64(took)/float64(lone))
				alone, fenced = append(alone, lone.Seconds()*1e3), append(fenced, took.Seconds()*1e3)
			}
			b.ReportMetric(median(ratios), "ratio")
			b.ReportMetric(median(alone), "ms-bare")
			b.ReportMetric(median(fenced), "ms-fenced")
		})
	}
}

// BenchmarkUnitHistory is one unit's history of one test out of everything, rows included.
func BenchmarkUnitHistory(b *testing.B) {
	f := largeLake(b)
	e := openLarge(b, f)
	var took []float64
	k := 0
	for b.Loop() {
		k = (k + 617) % 5000
		at := time.Now()
		r, err := e.Query(b.Context(), f, fmt.Sprintf("select read_at, value, margin from readings where unit = 'unit-%04d' and test = 'm7.t01' order by read_at", k))
		if err != nil || len(r.Rows) == 0 {
			b.Fatal(len(r.Rows), err)
		}
		took = append(took, time.Since(at).Seconds()*1e3)
	}
	b.ReportMetric(median(took), "ms-p50")
}

func median(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	return x[len(x)/2]
}
