package main

import (
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	"marginline/ingest/series"
)

// A storedFleet is what BenchmarkBacktest replays: units that report ten times a day, forty tests each.
type storedFleet struct {
	units, days int
	rnd         *rand.Rand
	tests       [][]storedTest // by unit
}

// A storedTest is one test of one unit. It runs about once a day, and its result is read until it runs again.
type storedTest struct {
	result  series.Result
	healthy float64 // raw
	noise   float64
	wear    float64 // raw a day
	rate    float64 // chance to have run between two reports
}

const reportsADay, testsAReport = 10, 40

func newStoredFleet(units, days int) *storedFleet {
	h := &storedFleet{units: units, days: days, rnd: rand.New(rand.NewPCG(36, 5))}
	monitors := []int32{0x01, 0x05, 0x21, 0x22, 0x31, 0x35, 0x39, 0x3B, 0x41, 0x81}
	for range units {
		var tests []storedTest
		for i := range testsAReport {
			r := series.NewResult()
			r.ECU, r.CalID = "7e8", "CAL-A1"
			if i >= 32 {
				r.ECU, r.CalID = "7e9", "CAL-B7"
			}
			r.MID, r.TID, r.UAS = monitors[i%len(monitors)], int32(0x80+i/len(monitors)), []int32{0x0A, 0x05, 0x10}[i%3]
			r.UnitOfMeasure = []string{"mV", "1", "ms"}[i%3]
			r.Test = fmt.Sprintf("m%02x.t%02x", r.MID, r.TID)
			r.Raw = series.Raw{Value: 0, Min: 0, Max: int32(2000 + 40*i)}
			if i%5 == 4 { // a minimum
				r.Raw.Min, r.Raw.Max = int32(300+10*i), math.MaxUint16
			}
			t := storedTest{result: r, noise: 10 + 40*h.rnd.Float64(), rate: 0.02 + 0.15*h.rnd.Float64()}
			t.healthy = 700 + 400*h.rnd.Float64() + 12*float64(i)
			if h.rnd.IntN(400) == 0 {
				t.wear = 1000 / (60 + 60*h.rnd.Float64()) * (1 - 2*float64(i%5/4))
			}
			t.set(t.healthy)
			tests = append(tests, t)
		}
		h.tests = append(h.tests, tests)
	}
	return h
}

func (t *storedTest) set(raw float64) {
	r := &t.result
	r.Raw.Value = int32(min(max(raw, 1), 60000))
	v := series.Judge(series.Unsigned, r.Raw, true)
	scale := []float64{0.122, 0.0305, 1}[r.UAS%3]
	r.State, r.Passed, r.Margin, r.Value = v.State, v.Passed, v.Margin, float64(r.Raw.Value)*scale
	r.Min, r.Max = math.NaN(), math.NaN()
	if !v.NoMin {
		r.Min = float64(r.Raw.Min) * scale
	}
	if !v.NoMax {
		r.Max = float64(r.Raw.Max) * scale
	}
}

// poll is the k-th report of a day of a unit.
func (h *storedFleet) poll(unit, d, k int) *series.Poll {
	at := time.Date(2026, 1, 1, 5, 0, 0, 0, time.UTC).AddDate(0, 0, d).Add(time.Duration(k)*97*time.Minute + time.Duration(unit)*time.Second)
	p := &series.Poll{
		ReportID: fmt.Sprintf("%08x-%04x-%04x", h.rnd.Uint32(), unit, d*reportsADay+k), Digest: h.rnd.Uint64(),
		Device: fmt.Sprintf("dgl-%05d", unit), VIN: fmt.Sprintf("9ZZBENCH%09d", unit), Bus: series.CAN,
		ReadAt: at, ClockOK: true, Received: at.Add(time.Minute), Messages: 12, Context: series.NoContext(),
	}
	p.Context.OdometerKm = float64(unit%100)*1000 + float64(d*reportsADay+k)*9.3
	p.Context.FuelLevelPct = float64(h.rnd.IntN(256)) * 100 / 255
	p.Context.AmbientC = math.Round(10 - 12*math.Cos(2*math.Pi*float64(d)/365) + 3*h.rnd.NormFloat64())
	p.Context.CoolantC = float64(80 + h.rnd.IntN(20))
	p.Context.BarometricKPa = float64(97 + h.rnd.IntN(5))
	p.Context.RunTimeS = float64(60 + h.rnd.IntN(5000))
	p.Results = make([]series.Result, testsAReport)
	for i := range h.tests[unit] {
		t := &h.tests[unit][i]
		if d == 0 && k == 0 || h.rnd.Float64() < t.rate {
			t.set(t.healthy + t.noise*h.rnd.NormFloat64() + t.wear*float64(d))
		}
		p.Results[i] = t.result
		p.Results[i].Done = series.TriOf(k > 2)
	}
	return p
}

// write fills a lake through its own writer: a commit a day. One report in fifty comes up to a week late.
func (h *storedFleet) write(b *testing.B, l *lake.Lake) {
	late := map[int][]*series.Poll{}
	var seq uint64
	for d := range h.days {
		for k := range reportsADay {
			for u := range h.units {
				p := h.poll(u, d, k)
				if h.rnd.IntN(50) == 0 {
					n := min(d+1+h.rnd.IntN(7), h.days-1)
					late[n] = append(late[n], p)
					continue
				}
				seq++
				l.Append(p, seq)
			}
		}
		for _, p := range late[d] {
			seq++
			l.Append(p, seq)
		}
		delete(late, d)
		if err := l.Commit(b.Context(), lake.Position{Stream: "b@1", Seq: seq}); err != nil {
			b.Fatal(err)
		}
	}
}

func (h *storedFleet) roster(b *testing.B) *fleet.Roster {
	list := make([]fleet.Unit, h.units)
	for i := range list {
		list[i] = fleet.NewUnit(fmt.Sprintf("unit-%05d", i))
		list[i].VIN, list[i].Device = fmt.Sprintf("9ZZBENCH%09d", i), fmt.Sprintf("dgl-%05d", i)
	}
	r, err := fleet.New(list)
	if err != nil {
		b.Fatal(err)
	}
	return r
}

// BenchmarkBacktest replays stored readings from the lake through the detector, as the flushes left them and after
// compaction. BACKTEST_UNITS and BACKTEST_DAYS set the size (50 units and 60 days where they are not set; 500 and
// 182 are 36 million readings). BACKTEST_LAKE names a folder that keeps the lake from one run to the next.
func BenchmarkBacktest(b *testing.B) {
	size := func(name string, usual int) int {
		if s := os.Getenv(name); s != "" {
			n, err := strconv.Atoi(s)
			if err != nil || n < 1 {
				b.Fatalf("%s=%s: want a number of at least 1", name, s)
			}
			return n
		}
		return usual
	}
	h := newStoredFleet(size("BACKTEST_UNITS", 50), size("BACKTEST_DAYS", 60))
	folder := os.Getenv("BACKTEST_LAKE")
	if folder == "" {
		folder = b.TempDir()
	}
	for _, form := range []string{"flushes", "compacted"} {
		b.Run(form, func(b *testing.B) {
			l := h.lake(b, filepath.Join(folder, fmt.Sprintf("%d-%d-%s", h.units, h.days, form)), form == "compacted")
			defer l.Close()
			roster := h.roster(b)
			runner := analyze.NewRunner(l, func() *fleet.Roster { return roster }, monitors{}, analyze.DefaultSettings(), slog.New(slog.DiscardHandler))
			var trial *analyze.Trial
			before := processor()
			for b.Loop() {
				trials, err := runner.Backtest(b.Context(), analyze.Window{}, analyze.DefaultSettings())
				if err != nil {
					b.Fatal(err)
				}
				trial = trials[0]
			}
			rows := float64(h.units) * float64(h.days) * reportsADay * testsAReport
			per := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(rows/per/1e6, "Mreadings/s")
			b.ReportMetric((processor()-before).Seconds()/float64(b.N), "cpu-s")
			b.ReportMetric(per, "wall-s")
			b.ReportMetric(peak(b), "peak-MB")
			b.ReportMetric(0, "ns/op")
			b.Logf("%d units, %.0f vehicle-months, %d alerts, %d processors", trial.Units, trial.Months, trial.Alerts, runtime.GOMAXPROCS(0))
		})
	}
}

// lake opens the fleet's lake in a folder, and fills it when it is not there.
func (h *storedFleet) lake(b *testing.B, dir string, compact bool) *lake.Lake {
	_, missing := os.Stat(dir)
	l, err := lake.Open(dir, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	if missing == nil {
		return l
	}
	began := time.Now()
	newStoredFleet(h.units, h.days).write(b, l)
	if compact {
		if _, err := l.Compact(b.Context(), true); err != nil {
			b.Fatal(err)
		}
	}
	b.Logf("written in %v", time.Since(began).Round(time.Second))
	return l
}

// processor is the processor time that this process has used: steadier than the clock on a shared machine.
func processor() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// peak is the most memory that this process has held at once, in MB.
func peak(b *testing.B) float64 {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		var kb float64
		if _, err := fmt.Sscanf(line, "VmHWM: %f kB", &kb); err == nil {
			return kb / 1024
		}
	}
	return math.NaN()
}
