package lake_test

import (
	"database/sql"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	_ "github.com/marcboeker/go-duckdb"

	"marginline/ingest/lake"
	"marginline/ingest/series"
)

// fleetPoll invents the n-th report of a vehicle: 24 results, conditions of their own, one of three reports a
// day.
func fleetPoll(rnd *rand.Rand, vehicle, n int, at time.Time, tests []series.Result) *series.Poll {
	p := &series.Poll{
		ReportID: uuid.NewString(), Digest: rnd.Uint64(), Device: fmt.Sprintf("dgl-%05d", vehicle), VIN: fmt.Sprintf("9ZZBENCH%09d", vehicle), Bus: series.CAN,
		ReadAt: at, ClockOK: true, Received: at.Add(time.Minute), Messages: 9, Context: series.NoContext(),
	}
	p.Context.OdometerKm = float64(vehicle%100)*1000 + float64(n)*93.7
	p.Context.FuelLevelPct = float64(rnd.IntN(256)) * 100 / 255
	p.Context.AmbientC = float64(rnd.IntN(40) - 5)
	p.Context.CoolantC = float64(80 + rnd.IntN(20))
	p.Context.BarometricKPa = float64(97 + rnd.IntN(5))
	p.Context.RunTimeS = float64(rnd.IntN(30000))
	p.Context.WarmupsSinceClear = float64(min(n, 255))
	p.Context.DistanceSinceClearKm = float64(min(n*94, 65535))
	p.Results = slices.Clone(tests)
	for i := range p.Results {
		r := &p.Results[i]
		r.Raw.Value = int32(600+vehicle%400+i*13) + int32(rnd.IntN(60))
		v := series.Judge(series.Unsigned, r.Raw, true)
		r.Value, r.State, r.Passed, r.Margin = float64(r.Raw.Value)*0.122, v.State, v.Passed, v.Margin
	}
	return p
}

func benchTests() (tests []series.Result) {
	for i := range 24 {
		r := series.NewResult()
		r.ECU, r.CalID = "7e8", "CAL-A1"
		r.MID, r.TID, r.UAS = int32(i%12)*4+1, int32(0x80+i), 0x0A
		r.Test = fmt.Sprintf("m%02x.t%02x", r.MID, r.TID)
		r.Raw, r.Max, r.UnitOfMeasure = series.Raw{Min: 0, Max: 2000 + int32(i)}, float64(2000+i)*0.122, "mV"
		tests = append(tests, r)
	}
	return tests
}

// BenchmarkHistoryBeforeAndAfterCompaction asks a fleet's history in SQL, as the flushes left it and after
// compaction. MARGINLINE_BENCH_ROWS sets its size, 2 million readings if it is not set.
func BenchmarkHistoryBeforeAndAfterCompaction(b *testing.B) {
	want := 2_000_000
	if s := os.Getenv("MARGINLINE_BENCH_ROWS"); s != "" {
		var err error
		if want, err = strconv.Atoi(s); err != nil {
			b.Fatal(err)
		}
	}
	l, err := lake.Open(b.TempDir(), slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	const vehicles, flush = 1000, 200_000
	rnd, tests := rand.New(rand.NewPCG(1, 2)), benchTests()
	start := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	rounds := want / (vehicles * len(tests))
	step := 2 * 365 * 24 * time.Hour / time.Duration(max(rounds, 1)) // two years, whatever the size
	var seq uint64
	began := time.Now()
	for n := range rounds {
		for v := range vehicles {
			seq++
			l.Append(fleetPoll(rnd, v, n, start.Add(time.Duration(n)*step+time.Duration(v)*7*time.Second), tests), seq)
			if l.Rows() >= flush {
				if err := l.Commit(b.Context(), lake.Position{Stream: "b@1", Seq: seq}); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	if err := l.Commit(b.Context(), lake.Position{Stream: "b@1", Seq: seq}); err != nil {
		b.Fatal(err)
	}
	b.Logf("%d readings written in %v", rounds*vehicles*len(tests), time.Since(began).Round(time.Second))
	queries(b, l, "flushes")
	done, err := l.Compact(b.Context(), true)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("compaction: %+v", done)
	queries(b, l, "compacted")
}

func queries(b *testing.B, l *lake.Lake, state string) {
	pin, err := l.Pin()
	if err != nil {
		b.Fatal(err)
	}
	defer pin.Release()
	db, err := sql.Open("duckdb", "?threads=2&memory_limit=2GB")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	t := pin.Tables()[1]
	b.Logf("%s: %d files, %d rows, %.2f bytes a row", state, len(t.Files), t.Rows, float64(l.Stats()[0].Bytes)/float64(t.Rows))
	from := " from read_parquet(['" + strings.Join(t.Files, "','") + "']) "
	for _, q := range []struct{ name, text string }{
		{"one test of one vehicle", "select read_at, value, min, max, margin" + from + "where vin = '9ZZBENCH000000417' and ecu = '7e8' and test = 'm05.t81' order by read_at"},
		{"everything of one vehicle", "select *" + from + "where vin = '9ZZBENCH000000417'"},
		{"least margin by test", "select test, min(margin), avg(margin)" + from + "group by 1"},
		{"a month of one test", "select vin, min(margin)" + from + "where test = 'm05.t81' and read_at between timestamp '2025-06-01' and timestamp '2025-07-01' group by 1"},
	} {
		b.Run(state+"/"+q.name, func(b *testing.B) {
			var took []time.Duration
			before := processor(b)
			for b.Loop() {
				at := time.Now()
				rows, err := db.Query(q.text)
				if err != nil {
					b.Fatal(err)
				}
				n := 0
				for rows.Next() {
					n++
				}
				if err := rows.Err(); err != nil || n == 0 {
					b.Fatalf("%d rows, %v", n, err)
				}
				rows.Close()
				took = append(took, time.Since(at))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[0])/1e6, "least-ms")
			b.ReportMetric(float64(took[len(took)/2])/1e6, "p50-ms")
			b.ReportMetric(float64(processor(b)-before)/float64(len(took))/1e6, "cpu-ms")
		})
	}
}

// processor is the processor time that this process has used: steadier than the clock on a shared machine.
func processor(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
