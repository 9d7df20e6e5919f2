package sql_test

import (
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"marginline/ingest/lake"
	"marginline/ingest/series"
	"marginline/sql"
)

// A past is an invented fleet's history: vehicles that each report now and then over two years, 24 results a
// report, in the order in which they arrive.
type past struct {
	vehicles, rounds int
	tests            []series.Result
}

const (
	perReport  = 24
	perVehicle = 25_000 // readings of a vehicle over the two years
	perFlush   = 200_000
	perPlain   = 1_000_000 // rows of a file as a user would write it
)

var pastFrom = time.Date(2024, 12, 1, 0, 0, 0, 0, time.UTC)

const pastLength = 730 * 24 * time.Hour

func newPast(rows int) *past {
	p := &past{rounds: perVehicle / perReport}
	p.vehicles = max((rows+p.rounds*perReport-1)/(p.rounds*perReport), 4)
	for i := range perReport {
		r := series.NewResult()
		r.ECU, r.CalID = "7e8", "CAL-A1"
		r.MID, r.TID, r.UAS = int32(i%12)*4+1, int32(0x80+i), 0x0A
		r.Test = fmt.Sprintf("m%02x.t%02x", r.MID, r.TID)
		r.Raw, r.Max, r.UnitOfMeasure = series.Raw{Min: 0, Max: 2000 + int32(i)}, float64(2000+i)*0.122, "mV"
		p.tests = append(p.tests, r)
	}
	return p
}

func (p *past) rows() int { return p.vehicles * p.rounds * perReport }

func vinOf(vehicle int) string  { return fmt.Sprintf("9ZZBENCH%09d", vehicle) }
func unitOf(vehicle int) string { return fmt.Sprintf("unit-%05d", vehicle) }

// report is the n-th of a vehicle.
func (p *past) report(rnd *rand.Rand, vehicle, n int, at time.Time) *series.Poll {
	q := &series.Poll{
		ReportID: uuid.NewString(), Digest: rnd.Uint64(), Device: fmt.Sprintf("dgl-%05d", vehicle), VIN: vinOf(vehicle), Bus: series.CAN,
		ReadAt: at, ClockOK: true, Received: at.Add(time.Minute), Messages: 9, Context: series.NoContext(),
	}
	q.Context.OdometerKm = float64(vehicle%100)*1000 + float64(n)*93.7
	q.Context.FuelLevelPct = float64(rnd.IntN(256)) * 100 / 255
	q.Context.AmbientC = float64(rnd.IntN(40) - 5)
	q.Context.CoolantC = float64(80 + rnd.IntN(20))
	q.Context.BarometricKPa = float64(97 + rnd.IntN(5))
	q.Context.RunTimeS = float64(rnd.IntN(30000))
	q.Context.WarmupsSinceClear = float64(min(n, 255))
	q.Context.DistanceSinceClearKm = float64(min(n*94, 65535))
	q.Results = slices.Clone(p.tests)
	for i := range q.Results {
		r := &q.Results[i]
		r.Raw.Value = int32(600+vehicle%400+i*13) + int32(rnd.IntN(60))
		v := series.Judge(series.Unsigned, r.Raw, true)
		r.Value, r.State, r.Passed, r.Margin = float64(r.Raw.Value)*0.122, v.State, v.Passed, v.Margin
	}
	return q
}

// flushed fills a lake as the consumer does: commits of some hundred thousand rows in the order of arrival.
func (p *past) flushed(b *testing.B, dir string) {
	l, err := lake.Open(dir, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	rnd := rand.New(rand.NewPCG(1, 2))
	var seq uint64
	commit := func() {
		if err := l.Commit(b.Context(), lake.Position{Stream: "b@1", Seq: seq}); err != nil {
			b.Fatal(err)
		}
	}
	for n := range p.rounds {
		round := pastFrom.Add(pastLength / time.Duration(p.rounds) * time.Duration(n))
		for v := range p.vehicles {
			seq++
			l.Append(p.report(rnd, v, n, round.Add(time.Duration(v)*7*time.Second)), seq)
			if l.Rows() >= perFlush {
				commit()
			}
		}
	}
	commit()
}

// made makes a folder once: build fills it under another name, which it loses when it is whole.
func made(b *testing.B, dir string, build func(dir string)) {
	if _, err := os.Stat(dir); err == nil {
		return
	}
	half := dir + ".half"
	if err := os.RemoveAll(half); err != nil {
		b.Fatal(err)
	}
	if err := os.MkdirAll(half, 0o755); err != nil {
		b.Fatal(err)
	}
	began := time.Now()
	build(half)
	if err := os.Rename(half, dir); err != nil {
		b.Fatal(err)
	}
	b.Logf("%s: made in %v", filepath.Base(dir), time.Since(began).Round(time.Second))
}

// sealed is the same lake after compaction. Data files never change, so the copy it is made of is of links.
func sealed(b *testing.B, flushes, dir string) {
	err := filepath.WalkDir(flushes, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		to := filepath.Join(dir, strings.TrimPrefix(path, flushes))
		if d.IsDir() {
			return os.MkdirAll(to, 0o755)
		}
		return os.Link(path, to)
	})
	if err != nil {
		b.Fatal(err)
	}
	l, err := lake.Open(dir, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	end := begin(b)
	done, err := l.Compact(b.Context(), true)
	if err != nil {
		b.Fatal(err)
	}
	took := end()
	b.Logf("compaction: %d groups into %d by %d merges, %d rows written, %.1f MB to %.1f MB, %v, %v of processor time", done.Groups, done.Into, done.Merges,
		done.Rows, float64(done.Before)/1e6, float64(done.After)/1e6, took.clock.Round(time.Second), took.processor.Round(time.Second))
}

// plain writes the readings as a user would who has DuckDB alone: as they arrive, in zstd files of a million rows.
func plain(b *testing.B, flushes, dir string) {
	l, err := lake.Open(flushes, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	files, _ := readingFiles(b, l)
	slices.Sort(files) // names rise with time
	db := duckDB(b)
	defer db.Close()
	for i := 0; len(files) > 0; i++ {
		n := min(perPlain/perFlush, len(files))
		if _, err := db.Exec(fmt.Sprintf(`copy (select * from read_parquet(['%s']) order by read_at, report_id, ord)
			to '%s' (format parquet, compression zstd)`, strings.Join(files[:n], "', '"), filepath.Join(dir, fmt.Sprintf("%04d.parquet", i)))); err != nil {
			b.Fatal(err)
		}
		files = files[n:]
	}
}

// An archive is a lake beside a roster of its vehicles. Where times is more than 1, it tells of as many fleets: of the
// others the manifests' entries are there, no files, as no query here asks for their vehicles.
type archive struct {
	lake  *lake.Lake
	units int
	times int
}

func (a archive) Pin(context.Context, []string) (sql.Snapshot, error) {
	p, err := a.lake.Pin()
	return archived{moored{p}, a}, err
}

type archived struct {
	moored
	archive
}

func (a archived) Tables() []sql.Table {
	out := a.moored.Tables()
	for i := range out {
		own := out[i].Files
		for n := 1; n < a.times; n++ {
			for _, f := range own {
				f.Path = fmt.Sprint(f.Path, "-", n)
				f.VIN.Low, f.VIN.High = fmt.Sprint(n, f.VIN.Low), fmt.Sprint(n, f.VIN.High)
				f.Device.Low, f.Device.High = fmt.Sprint(n, f.Device.Low), fmt.Sprint(n, f.Device.High)
				out[i].Files = append(out[i].Files, f)
			}
		}
	}
	return out
}

func (a archived) Small(_ context.Context, name string) (sql.Rows, error) {
	if name != "units" {
		return sql.Rows{}, nil
	}
	return sql.Rows{Columns: []string{"unit", "vin", "device", "engine_family"}, Rows: func(yield func([]any) bool) {
		for n := range a.times {
			before := ""
			if n > 0 {
				before = strconv.Itoa(n)
			}
			for v := range a.units {
				if !yield([]any{before + unitOf(v), before + vinOf(v), fmt.Sprintf("%sdgl-%05d", before, v), fmt.Sprintf("family-%d", v%7)}) {
					return
				}
			}
		}
	}}, nil
}

// A contestant answers a question and says how many rows it got.
type contestant struct {
	name string
	ask  func() (rows int, err error)
}

// BenchmarkHistory asks what analysts ask of two years of a fleet, of the lake as the flushes left it, after
// compaction, and after compaction in a lake of ten such fleets; and of DuckDB alone over the same readings in
// files of a million rows in the order of arrival (it is told the VIN: it has no roster). Each iteration asks all
// of them, one after the other, so that a busy machine is hard on all alike: compare the medians and the processor
// time of one run. The first answer of each is not counted: files and footers are warm.
//
// BENCH_ROWS is the size, a million readings if it is not set; BENCH_CACHE a folder where what was built stays
// for the next run: fifty million take some minutes and 2 GB.
func BenchmarkHistory(b *testing.B) {
	want := 1_000_000
	if s := os.Getenv("BENCH_ROWS"); s != "" {
		var err error
		if want, err = strconv.Atoi(s); err != nil {
			b.Fatal(err)
		}
	}
	p := newPast(want)
	folder := os.Getenv("BENCH_CACHE")
	if folder == "" {
		folder = b.TempDir()
	}
	folder = filepath.Join(folder, fmt.Sprintf("history-%d", p.rows()))
	flushes, merged, arrival := filepath.Join(folder, "flushes"), filepath.Join(folder, "sealed"), filepath.Join(folder, "arrival")
	made(b, flushes, func(dir string) { p.flushed(b, dir) })
	made(b, merged, func(dir string) { sealed(b, flushes, dir) })
	made(b, arrival, func(dir string) { plain(b, flushes, dir) })

	e := open(b, func(c *sql.Config) { c.MemoryLimit, c.Timeout, c.Parallel, c.Lake = "2GB", 10*time.Minute, 1, folder })
	db := duckDB(b)
	defer db.Close()
	if _, err := db.Exec("create table units as select 'unit-' || printf('%05d', i) as unit, '9ZZBENCH' || printf('%09d', i) as vin, 'family-' || (i % 7) as engine_family from range(?) t(i)", p.vehicles); err != nil {
		b.Fatal(err)
	}
	at := func(dir string) *lake.Lake {
		l, err := lake.Open(dir, slog.New(slog.DiscardHandler), nil)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { l.Close() })
		st := l.Stats()[0]
		b.Logf("%s: %d readings, %d files, %.2f bytes a reading", filepath.Base(dir), st.Rows, st.Files, float64(st.Bytes)/float64(st.Rows))
		return l
	}
	small, large := at(flushes), at(merged)
	last := pastFrom.Add(pastLength).AddDate(0, -1, 0).Format(time.DateOnly)
	vehicle := p.vehicles / 3
	for _, q := range []struct{ name, ours, theirs string }{
		{"one test of one unit, two years", "select read_at, value, min, max, margin from readings where unit = 'UNIT' and test = 'm05.t81' order by read_at",
			"select read_at, value, min, max, margin from FILES where vin = 'VIN' and test = 'm05.t81' order by read_at"},
		{"everything of one unit, last month", "select * from readings where unit = 'UNIT' and read_at >= timestamp 'LAST'",
			"select * from FILES where vin = 'VIN' and read_at >= timestamp 'LAST'"},
		{"worst margin of each test and engine family", "select engine_family, test, min(margin) from readings join units using (unit) group by all",
			"select engine_family, test, min(margin) from FILES join units using (vin) group by all"},
	} {
		fill := strings.NewReplacer("UNIT", unitOf(vehicle), "VIN", vinOf(vehicle), "LAST", last, "FILES", "read_parquet('"+arrival+"/*.parquet')")
		ours, theirs := fill.Replace(q.ours), fill.Replace(q.theirs)
		engine := func(a archive) func() (int, error) {
			return func() (int, error) {
				r, err := e.Query(b.Context(), a, ours)
				if err != nil {
					return 0, err
				}
				return len(r.Rows), nil
			}
		}
		who := []contestant{
			{"flushes", engine(archive{small, p.vehicles, 1})},
			{"compacted", engine(archive{large, p.vehicles, 1})},
			{"duckdb", func() (n int, err error) {
				rows, err := db.Query(theirs)
				if err != nil {
					return 0, err
				}
				defer rows.Close()
				for rows.Next() {
					n++
				}
				return n, rows.Err()
			}},
		}
		if strings.Contains(q.ours, "UNIT") {
			who = append(who, contestant{"tenfold", engine(archive{large, p.vehicles, 10})})
		}
		b.Run(q.name, func(b *testing.B) { race(b, who) })
	}
}

// running is the processor time of this process and its children: queries run in a process of their own.
func running(b *testing.B) (sum time.Duration) {
	lists, err := filepath.Glob("/proc/self/task/*/children")
	if err != nil || len(lists) == 0 {
		b.Fatalf("the children of this process are not told: %v", err)
	}
	who := []string{"self"}
	for _, l := range lists {
		text, _ := os.ReadFile(l) // a thread may have ended
		who = append(who, strings.Fields(string(text))...)
	}
	for _, pid := range who {
		tasks, _ := filepath.Glob("/proc/" + pid + "/task/*/schedstat")
		for _, t := range tasks {
			text, _ := os.ReadFile(t)
			var ns time.Duration
			fmt.Sscan(string(text), &ns)
			sum += ns
		}
	}
	return sum
}

// race asks all contestants in turn.
func race(b *testing.B, who []contestant) {
	clock, cpu := make([][]time.Duration, len(who)), make([][]time.Duration, len(who))
	answers := -1
	ask := func(i int) spent {
		had, at := running(b), time.Now()
		n, err := who[i].ask()
		took := spent{time.Since(at), running(b) - had}
		if err != nil {
			b.Fatalf("%s: %v", who[i].name, err)
		}
		if answers < 0 {
			answers = n
		}
		if n != answers || n == 0 {
			b.Fatalf("%s: %d rows, %s has %d", who[i].name, n, who[0].name, answers)
		}
		return took
	}
	for i := range who {
		ask(i)
	}
	for b.Loop() {
		for i := range who {
			s := ask(i)
			clock[i], cpu[i] = append(clock[i], s.clock), append(cpu[i], s.processor)
		}
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(answers), "rows")
	for i, c := range who {
		slices.Sort(clock[i])
		slices.Sort(cpu[i])
		b.ReportMetric(float64(clock[i][0])/1e6, c.name+"-least-ms")
		b.ReportMetric(float64(clock[i][len(clock[i])/2])/1e6, c.name+"-p50-ms")
		b.ReportMetric(float64(cpu[i][len(cpu[i])/2])/1e6, c.name+"-cpu-ms")
	}
}
