package sql_test

import (
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

// BenchmarkHistory asks
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
	if os.Getenv("STAGE") != "plain" {
		made(b, merged, func(dir string) { sealed(b, flushes, dir) })
	}
	if os.Getenv("STAGE") != "sealed" {
		made(b, arrival, func(dir string) { plain(b, flushes, dir) })
	}
}
