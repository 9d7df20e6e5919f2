package lake

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/apache/arrow/go/v15/arrow/memory"
	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"marginline/ingest/series"
)

const stream = "OBD_REPORTS@2026-03-01T00:00:00Z"

var epoch = time.Date(2026, 3, 2, 6, 14, 9, 123456000, time.UTC)

// open opens a lake whose Arrow memory is counted.
func open(t *testing.T, dir string) *Lake {
	t.Helper()
	l, err := Open(dir, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		t.Fatal(err)
	}
	mem := memory.NewCheckedAllocator(memory.NewGoAllocator())
	l.mem = mem
	for _, tb := range l.tables {
		tb.mem = mem
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		mem.AssertSize(t, 0)
	})
	return l
}

func commit(t *testing.T, l *Lake, seq uint64) {
	t.Helper()
	if err := l.Commit(t.Context(), Position{stream, seq}); err != nil {
		t.Fatal(err)
	}
}

// fetch reads every poll back, in the order of reports.
func fetch(t *testing.T, l *Lake, vins, devices []string, until time.Time) []*series.Poll {
	t.Helper()
	var out []*series.Poll
	for p, err := range l.Polls(context.Background(), vins, devices, until) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b *series.Poll) int { return cmp.Compare(a.ReportID, b.ReportID) })
	return out
}

func same(t *testing.T, got, want []*series.Poll) {
	t.Helper()
	if d := gocmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateEmpty()); d != "" {
		t.Fatalf("polls differ (-want +got):\n%s", d)
	}
}

// poll invents the n-th report of vehicle v. Its content is a function of the two numbers.
func poll(v, n, results int) *series.Poll {
	p := &series.Poll{
		ReportID: fmt.Sprintf("r-%04d-%05d", v, n), Digest: uint64(v)<<40 | uint64(n) | 1<<63,
		Device: fmt.Sprintf("dgl-%04d", v), VIN: fmt.Sprintf("9ZZTEST%010d", v), Bus: series.CAN,
		ReadAt: epoch.Add(time.Duration(n)*6*time.Hour + time.Duration(v)*time.Second), ClockOK: true,
		Received: epoch.Add(time.Duration(n)*6*time.Hour + time.Minute), Messages: results/4 + 1, Context: series.NoContext(),
	}
	rnd := rand.New(rand.NewPCG(uint64(v), uint64(n)))
	p.Context.OdometerKm = math.Round(482114+float64(n)*400+300*rnd.Float64()) / 10
	p.Context.AmbientC = float64(rnd.IntN(40)) - 10
	p.Context.FuelLevelPct = float64(rnd.IntN(255)) * 100 / 255
	p.Context.RunTimeS = float64(rnd.IntN(30000))
	for i := range results {
		r := series.NewResult()
		r.ECU, r.CalID = "7e8", "CAL-A1"
		r.MID, r.TID, r.UAS = int32(i%12)*4+1, int32(0x80+i), 0x0A
		r.Test = fmt.Sprintf("m%02x.t%02x", r.MID, r.TID)
		r.Raw = series.Raw{Value: int32(1000 + v%300 + i*13 + rnd.IntN(60)), Min: 0, Max: 2000 + int32(i)}
		verdict := series.Judge(series.Unsigned, r.Raw, true)
		r.Value, r.Max = float64(r.Raw.Value)*0.000122, float64(r.Raw.Max)*0.000122
		r.UnitOfMeasure, r.State, r.Passed, r.Margin = "V", verdict.State, verdict.Passed, verdict.Margin
		p.Results = append(p.Results, r)
	}
	if n%5 == 0 {
		p.Codes = []series.Code{{ECU: "7e8", Kind: series.CodePending, Code: "P0420"}, {ECU: "7e8", Kind: series.CodeConfirmed, Code: "P0135"}}
	}
	return p
}

// everything is a poll with every column set and every state, one with none, and one of odd strings.
func everything() (p, bare, hostile *series.Poll) {
	full := series.Result{ECU: "18daf110", CalID: "A+B", Test: "m21.t89",
		MID: 0x21, TID: 0x89, CID: 0, SPN: 3242, FMI: 31, UAS: 0xFE, Slot: 217, DTC: "P0420-00", Coding: series.ScaledSlot,
		Raw: series.Raw{Value: -32768, Min: 0, Max: 65535}, Value: -1e-300, Min: math.Inf(-1), Max: math.MaxFloat64, UnitOfMeasure: "kg/h",
		State: series.StateOK, Passed: series.False, Margin: -0.25, Done: series.True, Runs: 0}
	p = &series.Poll{ReportID: "every-column", Digest: math.MaxUint64, Device: "dgl-1", VIN: "9ZZTEST74RA000123", Bus: series.UDS,
		ReadAt: epoch, ClockOK: true, Received: epoch.Add(time.Second), Messages: 7, Rejected: 2,
		Context: series.Context{OdometerKm: 48211.4, EngineHours: 1830.5, FuelLevelPct: 0, AmbientC: -40, CoolantC: 90, BarometricKPa: 101,
			RunTimeS: 600, WarmupsSinceClear: 255, DistanceSinceClearKm: 65535, MinutesSinceClear: 65535},
		CVNs:    map[string]string{"18daf110": "1A2B3C4D+00000001", "7e9": "FFFFFFFF"},
		Results: []series.Result{full}}
	for s := series.StateOK; s <= series.StateInvalid; s++ {
		r := series.NewResult()
		r.ECU, r.Test, r.State = "7e8", "m01.t01", s
		r.Coding = series.Coding(s)
		p.Results = append(p.Results, r)
	}
	for k := series.CodePending; k <= series.CodePrevious; k++ {
		p.Codes = append(p.Codes, series.Code{ECU: "00", Kind: k, Code: "s3242.f16"})
	}
	bare = &series.Poll{ReportID: "bare", Device: "dgl-2", Bus: series.J1939, ReadAt: time.Date(1970, 1, 1, 0, 0, 0, 1000, time.UTC), Context: series.NoContext()}
	hostile = &series.Poll{ReportID: "nul\x00 ünï", Device: "d", VIN: "x", ReadAt: epoch, Context: series.NoContext(), Codes: []series.Code{{ECU: "", Code: ""}}}
	return p, bare, hostile
}

func TestEveryColumnAndStateComesBack(t *testing.T) {
	p, bare, hostile := everything()
	dir := t.TempDir()
	l := open(t, dir)
	want := []*series.Poll{bare, p, hostile}
	for i, p := range want {
		l.Append(p, uint64(i+1))
	}
	if got := l.Rows(); got != 3+6+6 {
		t.Errorf("%d rows buffered, want 15", got)
	}
	commit(t, l, 3)
	if l.Rows() != 0 {
		t.Errorf("%d rows buffered after the commit", l.Rows())
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), want)

	again := open(t, dir)
	same(t, fetch(t, again, nil, nil, time.Time{}), want)
	if got := again.Position(); got != (Position{stream, 3}) {
		t.Errorf("position %v", got)
	}
	ids := map[string]uint64{}
	if err := again.Reports(t.Context(), func(id string, d uint64) error { ids[id] = d; return nil }); err != nil {
		t.Fatal(err)
	}
	if d := gocmp.Diff(map[string]uint64{"bare": 0, "every-column": math.MaxUint64, hostile.ReportID: 0}, ids); d != "" {
		t.Error(d)
	}
}

func truncate(path string) error { return os.Truncate(path, 1000) }

func verdict(t *testing.T, dir string) (Summary, []Problem) {
	t.Helper()
	problems, sum, err := Verify(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	return sum, problems
}
