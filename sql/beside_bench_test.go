package sql_test

import (
	"bufio"
	"context"
	"database/sql"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"testing"
	"time"

	_ "github.com/marcboeker/go-duckdb"

	"marginline/analyze"
	"marginline/ingest"
	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/fleetsim"
	"marginline/ingest/lake"
	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// An intake is one fleet's reports on CAN: as a file of JSON lines, and as payloads of the log.
type intake struct {
	file    string
	reports []broker.Outgoing // as JSON
	packed  []broker.Outgoing // the same, as protobuf
	roster  *fleet.Roster
}

func newIntake(b *testing.B, units, days int) *intake {
	fl, err := fleetsim.New(fleetsim.Config{Units: units, Days: days, Seed: 11, End: time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)})
	if err != nil {
		b.Fatal(err)
	}
	in := &intake{file: filepath.Join(b.TempDir(), "reports.ndjson")}
	if in.roster, err = fl.Roster(); err != nil {
		b.Fatal(err)
	}
	f, err := os.Create(in.file)
	if err != nil {
		b.Fatal(err)
	}
	w := bufio.NewWriter(f)
	for s := range fl.Reports() {
		if s.Report.Bus != series.CAN {
			continue
		}
		packed, err := s.Report.EncodeProto()
		if err != nil {
			b.Fatal(err)
		}
		in.reports = append(in.reports, broker.Outgoing{Device: s.Device, Payload: s.Payload, Received: s.Received})
		in.packed = append(in.packed, broker.Outgoing{Device: s.Device, Payload: packed, Received: s.Received})
		w.Write(s.Payload)
		w.WriteByte('\n')
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
	return in
}

// What a user would write who has DuckDB and the reports as JSON lines. The reader is told the schema, which is
// faster than letting it guess. unnested is one row a diagnostic message, nothing decoded.
const unnested = `select id, device, vin, "time", bus, odometer_km, engine_hours, strftime("time", '%%Y-%%m') as month, m."from" as ecu, m.data as data
	from (select * exclude (messages), unnest(messages) as m from read_json('%s', format = 'newline_delimited', columns = {
		id: 'VARCHAR', device: 'VARCHAR', vin: 'VARCHAR', "time": 'TIMESTAMP', bus: 'VARCHAR', odometer_km: 'DOUBLE',
		engine_hours: 'DOUBLE', messages: 'STRUCT("from" VARCHAR, data VARCHAR)[]'}))`

// records is one row a test result of service 06: nine bytes a record behind the service byte (ISO 15031-5, from
// memory), as unsigned numbers. A join with the numbers of records takes a fifth of the time that a second unnest takes,
// and one conversion a record half of that of three.
const records = `select * exclude (x, r), ('0x' || substr(r, 1, 2))::int as mid, ('0x' || substr(r, 3, 2))::int as tid, ('0x' || substr(r, 5, 2))::int as uas,
	(x >> 32)::int as v, ((x >> 16) & 65535)::int as lo, (x & 65535)::int as hi
	from (select *, ('0x' || substr(r, 7))::bigint as x
		from (select * exclude (data, k), substr(data, (3 + 18 * k)::int, 18) as r from (` + unnested + `), range(60) records(k)
			where data like '46%%' and (length(data) - 2) %% 18 = 0 and 2 + 18 * (k + 1) <= length(data)))`

// decoded gives each record its sign, its limits where there are any, and value, limits, verdict and margin in the unit of
// measure, by the table of units and scalings. It leaves out the context, the readiness, the calibration ids and the
// trouble codes of a report, all buses but one, and whatever is wrong with a message; ours does not.
const decoded = `select * exclude (a, b), v * a + b as value, lo * a + b as min, hi * a + b as max,
		(lo is null or v >= lo) and (hi is null or v <= hi) as passed,
		case when lo is null and hi is null or lo = hi then null
			when lo is null then 1 - v / hi::double
			when hi is null then case when v >= lo then 1 - lo / v::double else v / lo::double - 1 end
			else least(v - lo, hi - v) / ((hi - lo) / 2.0) end as margin
	from (select id, device, vin, "time", bus, odometer_km, engine_hours, month, ecu, mid, tid, r.uas,
			coalesce(u.scale, 1) as a, coalesce(u."offset", 0) as b,
			case when r.uas >= 128 then v - 65536 * (v >> 15) else v end as v,
			case when r.uas >= 128 then case when lo = 32768 then null else lo - 65536 * (lo >> 15) end when lo = 0 then null else lo end as lo,
			case when r.uas >= 128 then case when hi = 32767 then null else hi - 65536 * (hi >> 15) end when hi = 65535 then null else hi end as hi
		from (` + records + `) r left join (select ('0x' || id)::int as uas, scale::double as scale, "offset"::double as "offset" from read_csv('../ingest/obd/tables/units.csv', header = true, all_varchar = true)) u on r.uas = u.uas)`

// drifted is the drift question as one would put it in SQL over the files just written: of each vehicle's test the
// results that are new, the mean and spread of their margin over the first twenty, and from there a one-sided CUSUM toward the limit,
// k = 0.5, h = 5 (the sum minus its running least, which is the recursion max(0, S + z - k) in closed form: Page 1954, from
// memory). It knows nothing of epochs, contexts, counts, dates or traps; ours does.
const drifted = `with r as (select coalesce(vin, device) as vehicle, ecu, mid, tid, "time" as t, -margin as v from read_parquet('%s/**/*.parquet', hive_partitioning = true)),
	seen as (select *, lag(v) over w as before from r window w as (partition by vehicle, ecu, mid, tid order by t)),
	fresh as (select *, row_number() over (partition by vehicle, ecu, mid, tid order by t) as n from seen where before is distinct from v),
	base as (select *, avg(v) filter (n <= 20) over s as m, stddev_samp(v) filter (n <= 20) over s as sd from fresh window s as (partition by vehicle, ecu, mid, tid)),
	summed as (select *, sum((v - m) / sd - 0.5) over (partition by vehicle, ecu, mid, tid order by t rows unbounded preceding) as c from base where n > 20 and sd > 0),
	score as (select *, c - least(0, min(c) over (partition by vehicle, ecu, mid, tid order by t rows unbounded preceding)) as s from summed)
	select count(*) filter (top > 5), count(*) from (select vehicle, ecu, mid, tid, max(s) as top from score group by all)`

// A spent is what some work took: by the clock, and of the processors of this process, where both contestants run.
type spent struct{ clock, processor time.Duration }

func begin(b *testing.B) (end func() spent) {
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	at, had := time.Now(), used()
	return func() spent { return spent{time.Since(at), used() - had} }
}

func (s spent) plus(t spent) spent { return spent{s.clock + t.clock, s.processor + t.processor} }

// A rate is the most rows a second of all turns, and the most of a second of one processor.
type rate struct{ clock, processor float64 }

func (r *rate) take(rows int64, s spent) {
	r.clock = max(r.clock, float64(rows)/s.clock.Seconds())
	r.processor = max(r.processor, float64(rows)/s.processor.Seconds())
}

// peer writes a query's rows as zstd Parquet, partitioned by month, asks the drift question of them where there is
// one, and returns what each took and what it wrote.
func peer(b *testing.B, query, question string, in *intake) (rows, bytes int64, took, asked spent) {
	db := duckDB(b)
	defer db.Close()
	dir := filepath.Join(b.TempDir(), "peer")
	end := begin(b)
	res, err := db.ExecContext(b.Context(), fmt.Sprintf(`copy (`+query+`) to '%s' (format parquet, compression zstd, partition_by (month))`, in.file, dir))
	if err != nil {
		b.Fatal(err)
	}
	took = end()
	if rows, err = res.RowsAffected(); err != nil {
		b.Fatal(err)
	}
	if question != "" {
		end := begin(b)
		var alarmed, all int64
		if err := db.QueryRowContext(b.Context(), fmt.Sprintf(question, dir)).Scan(&alarmed, &all); err != nil {
			b.Fatal(err)
		}
		if asked = end(); all == 0 {
			b.Fatal("no series was asked about")
		}
	}
	return rows, sizeOf(b, dir), took, asked
}

func duckDB(b *testing.B) *sql.DB {
	db, err := sql.Open("duckdb", "")
	if err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec("set threads = 2"); err != nil {
		b.Fatal(err)
	}
	return db
}

func sizeOf(b *testing.B, dir string) (n int64) {
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		n += info.Size()
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return n
}

// An outcome is what our pipeline did with an intake.
type outcome struct {
	readings           int64
	published, commits spent // the log's part; from the first fetch to the last commit
	flushed, sealed    int64 // bytes of readings: as committed, and after compaction
	again              int64 // bytes of the sealed rows when DuckDB writes the same columns, sorted, zstd
}

// families tells the detector of the decoder's families, as the service does.
type families struct{}

func (families) Family(r *series.Result) string { return obd.Family(r) }
func (families) CodeFamily(code string) string  { return obd.CodeFamily(code) }
func (families) Group(r *series.Result) int     { return obd.Group(r) }

// pipeline takes an intake through log, decoder, lake and detector: synced publishing, then fetch, decode, Parquet,
// sync, Iceberg commit of all three tables, and the fold of every reading.
func pipeline(b *testing.B, in *intake, reports []broker.Outgoing) (out outcome) {
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	log := slog.New(slog.DiscardHandler)
	br, err := broker.Open(ctx, broker.Config{Dir: b.TempDir()}, log)
	if err != nil {
		b.Fatal(err)
	}
	defer br.Close()
	l, err := lake.Open(b.TempDir(), log, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	end := begin(b)
	last, err := br.PublishBatch(ctx, reports)
	if err != nil {
		b.Fatal(err)
	}
	out.published = end()
	roster := func() *fleet.Roster { return in.roster }
	c := ingest.NewConsumer(br, l, roster, ingest.Config{}, log, nil)
	detector := analyze.NewRunner(nil, roster, families{}, analyze.DefaultSettings(), log)
	c.OnCommit = func(ctx context.Context, polls []*series.Poll) {
		if err := detector.Take(ctx, polls); err != nil {
			b.Error(err)
		}
	}
	done := make(chan error, 1)
	end = begin(b)
	go func() { done <- c.Run(ctx) }()
	if err := c.Committed(ctx, last); err != nil {
		b.Fatal(err)
	}
	out.commits = end()
	cancel()
	<-done
	out.readings = int64(c.Counts().Readings)
	_, out.flushed = readingFiles(b, l)
	if _, err := l.Compact(b.Context(), true); err != nil {
		b.Fatal(err)
	}
	files, size := readingFiles(b, l)
	out.sealed = size
	db := duckDB(b)
	defer db.Close()
	for i, f := range files { // one at a time, so that both have the same rows in a file
		to := filepath.Join(b.TempDir(), fmt.Sprint(i, ".parquet"))
		if _, err := db.Exec(fmt.Sprintf(`copy (select * from read_parquet('%s') order by vin, device, read_at, report_id, ord) to '%s' (format parquet, compression zstd, row_group_size 122880)`, f, to)); err != nil {
			b.Fatal(err)
		}
		out.again += sizeOf(b, to)
	}
	return out
}

// readingFiles are the data files of the committed readings, and their size.
func readingFiles(b *testing.B, l *lake.Lake) (files []string, size int64) {
	p, err := l.Pin()
	if err != nil {
		b.Fatal(err)
	}
	defer p.Release()
	for _, t := range p.Tables() {
		if t.Name == "readings" {
			for _, f := range t.Files {
				files = append(files, f.Path)
			}
		}
	}
	for _, f := range files {
		size += sizeOf(b, f)
	}
	return files, size
}

// BenchmarkBesideGeneralParts takes the same reports through our pipeline and through DuckDB alone, one after the
// other in each turn, and reports the fastest turn of each, so that a busy machine is hard on both alike. DuckDB
// reads a file of JSON lines with two threads and writes Parquet partitioned by month, unsynced and without a log:
// once unnested only, once with the test results decoded, and then asked which tests drift.
//
// x-unnest, x-decode and x-drift are our committed and folded readings a second over DuckDB's rows a second, x-drift+log
// counts our synced publishing too; with /cpu they are rows a second of processor time, which a busy machine bends less.
// protobuf-x-drift is the same with our reports in their protobuf form; DuckDB reads JSON. sealed/duckdb is bytes: our compacted files over DuckDB's of the same rows and columns, sorted, zstd, at one
// row-group size.
func BenchmarkBesideGeneralParts(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(200)) // as the command does while little is in use (collect.go)
	in := newIntake(b, 400, 90)
	var ours outcome
	var commit, logged, packed, plain, decode, drift rate
	var plainRows, plainBytes, decodeRows, decodeBytes int64
	for b.Loop() {
		ours = pipeline(b, in, in.packed)
		packed.take(ours.readings, ours.commits)
		ours = pipeline(b, in, in.reports)
		commit.take(ours.readings, ours.commits)
		logged.take(ours.readings, ours.commits.plus(ours.published))
		var took spent
		plainRows, plainBytes, took, _ = peer(b, unnested, "", in)
		plain.take(plainRows, took)
		var asked spent
		decodeRows, decodeBytes, took, asked = peer(b, decoded, drifted, in)
		decode.take(decodeRows, took)
		drift.take(decodeRows, took.plus(asked))
	}
	if decodeRows != ours.readings {
		b.Fatalf("DuckDB decodes %d results, we %d: they are not compared", decodeRows, ours.readings)
	}
	n := float64(ours.readings)
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(n, "readings")
	b.ReportMetric(commit.clock, "readings/s")
	b.ReportMetric(commit.processor, "readings/cpu-s")
	b.ReportMetric(plain.clock, "duckdb-unnest-rows/s")
	b.ReportMetric(decode.clock, "duckdb-decode-rows/s")
	b.ReportMetric(drift.clock, "duckdb-drift-rows/s")
	b.ReportMetric(commit.clock/plain.clock, "x-unnest")
	b.ReportMetric(commit.clock/decode.clock, "x-decode")
	b.ReportMetric(commit.processor/decode.processor, "x-decode/cpu")
	b.ReportMetric(packed.clock, "protobuf-readings/s")
	b.ReportMetric(packed.clock/drift.clock, "protobuf-x-drift")
	b.ReportMetric(packed.processor/drift.processor, "protobuf-x-drift/cpu")
	b.ReportMetric(commit.clock/drift.clock, "x-drift")
	b.ReportMetric(commit.processor/drift.processor, "x-drift/cpu")
	b.ReportMetric(logged.clock/drift.clock, "x-drift+log")
	b.ReportMetric(logged.processor/drift.processor, "x-drift+log/cpu")
	b.ReportMetric(float64(ours.flushed)/n, "flushed-B/row")
	b.ReportMetric(float64(ours.sealed)/n, "sealed-B/row")
	b.ReportMetric(float64(ours.sealed)/float64(ours.again), "sealed/duckdb")
	b.ReportMetric(float64(plainBytes)/float64(plainRows), "duckdb-unnest-B/row")
	b.ReportMetric(float64(decodeBytes)/float64(decodeRows), "duckdb-decode-B/row")
}
