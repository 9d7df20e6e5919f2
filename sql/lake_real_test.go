package sql_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"marginline/ingest/lake"
	"marginline/ingest/series"
	"marginline/sql"
)

// shore is a Source over a real lake; onPin runs after each pin.
type shore struct {
	lake  *lake.Lake
	onPin func()
}

type moored struct{ p *lake.Pinned }

func (s shore) Pin(context.Context, []string) (sql.Snapshot, error) {
	p, err := s.lake.Pin()
	if err == nil && s.onPin != nil {
		s.onPin()
	}
	return moored{p}, err
}

func (m moored) Tables() []sql.Table {
	var out []sql.Table
	for _, t := range m.p.Tables() {
		q := sql.Table{Name: t.Name, SnapshotID: t.SnapshotID, CommittedAt: t.CommittedAt, Rows: t.Rows}
		for _, f := range t.Files {
			q.Files = append(q.Files, sql.File{Path: f.Path, VIN: bounds(f.VINs), Device: bounds(f.Devices), VINs: !f.WithoutVIN, From: f.From, To: f.To})
		}
		for _, c := range t.Columns {
			q.Fields = append(q.Fields, sql.Field{ID: c.FieldID, Name: c.Name, Type: c.Type})
		}
		out = append(out, q)
	}
	return out
}

func bounds(b *lake.Bounds) sql.Bounds {
	if b == nil {
		return sql.Bounds{}
	}
	return sql.Bounds{Known: true, Low: b.Low, High: b.High}
}

func (m moored) Small(_ context.Context, name string) (sql.Rows, error) {
	if name != "units" {
		return sql.Rows{}, nil
	}
	return sql.Rows{Columns: []string{"unit", "vin", "device"}, Rows: func(yield func([]any) bool) {
		_ = yield([]any{"van-1", "9ZZTEST74RA000001", nil}) && yield([]any{"van-2", nil, "dgl-2"})
	}}, nil
}

func (m moored) Release() { m.p.Release() }

func openLake(t testing.TB) *lake.Lake {
	t.Helper()
	l, err := lake.Open(t.TempDir(), slog.New(slog.NewTextHandler(io.Discard, nil)), prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// poll is the n-th report: two results, the second without any optional part, and one code.
func poll(n int) *series.Poll {
	first, second := series.NewResult(), series.NewResult()
	first.ECU, first.CalID, first.Test, first.MID, first.TID, first.UAS = "7e8", "CAL1", "m21.t89", 0x21, 0x89, 0x05
	first.Raw = series.Raw{Value: 72, Min: series.None, Max: 96}
	first.Value, first.Max, first.UnitOfMeasure, first.Passed, first.Margin = 0.072, 0.096, "s", series.True, 0.25
	second.ECU, second.Test, second.UnitOfMeasure, second.State = "7e8", "m22.t01", "1", series.StateNotRun
	p := &series.Poll{
		ReportID: fmt.Sprintf("r%05d", n), Digest: 1<<63 + uint64(n), Device: fmt.Sprintf("dgl-%d", n%3+1), Bus: series.CAN,
		ReadAt: time.Date(2026, 3, 2, 6, 14, 9, 123456000, time.UTC).Add(time.Duration(n) * time.Minute), ClockOK: true,
		Received: time.Date(2026, 3, 2, 6, 15, 0, 0, time.UTC), Messages: 3, Context: series.NoContext(),
		Results: []series.Result{first, second}, Codes: []series.Code{{ECU: "7e8", Kind: series.CodePending, Code: "P0420"}},
	}
	if n%3 == 0 {
		p.VIN = "9ZZTEST74RA000001"
	}
	p.Context.FuelLevelPct = 62.5
	return p
}

func commit(t testing.TB, l *lake.Lake, from, to int) {
	t.Helper()
	for n := from; n < to; n++ {
		l.Append(poll(n), uint64(n+1))
	}
	if err := l.Commit(context.Background(), lake.Position{Stream: "s", Seq: uint64(to)}); err != nil {
		t.Fatal(err)
	}
}

func TestLake_RowsComeBack(t *testing.T) {
	e, l := open(t), openLake(t)
	src := shore{lake: l}
	for _, v := range []string{"readings", "reports", "codes"} {
		if got := rows(t, e, src, "select count(*) from "+v); got != "0\n" {
			t.Errorf("%s of an empty lake: %s", v, got)
		}
	}
	commit(t, l, 0, 3)
	want := "9ZZTEST74RA000001"
	if got := rows(t, e, src, "select * from readings where report_id = 'r00000' order by test"); got !=
		"2026-03-02T06:14:09.123456Z,true,van-1,"+want+",dgl-1,r00000,can,7e8,CAL1,m21.t89,33,137,,,,5,,,72,,96,0.072,,0.096,s,ok,true,0.25,,62.5,,,,,,\n"+
			"2026-03-02T06:14:09.123456Z,true,van-1,"+want+",dgl-1,r00000,can,7e8,,m22.t01,,,,,,,,,,,,,,,1,not_run,,,,62.5,,,,,,\n" {
		t.Errorf("got %s", got)
	}
	if got := rows(t, e, src, "select unit, count(*) from readings group by 1 order by 1 nulls last"); got != "van-1,2\nvan-2,2\n,2\n" {
		t.Errorf("units: %s", got)
	}
	if got := rows(t, e, src, "select report_id, unit, messages, results, codes, received_at from reports where unit = 'van-2'"); got != "r00001,van-2,3,2,1,2026-03-02T06:15:00Z\n" {
		t.Errorf("reports: %s", got)
	}
	if got := rows(t, e, src, "select unit, kind, code, first_seen, reports from codes where unit = 'van-1'"); got != "van-1,pending,P0420,2026-03-02T06:14:09.123456Z,1\n" {
		t.Errorf("codes: %s", got)
	}
	// The zone written into the files decides whether times arrive as TIMESTAMP, on which dates work here.
	if got := rows(t, e, src, "select distinct typeof(read_at), date_trunc('hour', read_at), read_at::date from readings where read_at < '2026-03-03'"); got != "TIMESTAMP,2026-03-02T06:00:00Z,2026-03-02\n" {
		t.Errorf("times: %s", got)
	}
}

func TestLake_OneSnapshotAQuery(t *testing.T) {
	e, l := open(t), openLake(t)
	commit(t, l, 0, 10)
	next := 10
	src := shore{lake: l, onPin: func() { // between the pin and the query, a commit
		commit(t, l, next, next+10)
		next += 10
	}}
	for n := 10; n < 60; n += 10 {
		r, err := e.Query(t.Context(), src, "select (select count(*) from readings), (select sum(results) from reports), (select count(*) from codes), (select sum(reports) from codes)")
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprint(r.Rows[0][:2]); got != fmt.Sprintf("[%d %d]", 2*n, 2*n) {
			t.Errorf("readings and reports: %s, want %d of both", got, 2*n)
		}
		if got := fmt.Sprint(r.Rows[0][3]); got != fmt.Sprint(n) {
			t.Errorf("codes: %s, want %d", got, n)
		}
		if len(r.Snapshots) != 3 || r.Snapshots[0].SnapshotID == 0 {
			t.Errorf("snapshots: %v", r.Snapshots)
		}
	}
}

// Commits and queries go on side by side.
func TestLake_QueriesDuringCommits(t *testing.T) {
	e, l := open(t), openLake(t)
	commit(t, l, 0, 5)
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for n := 5; ; n += 5 {
			select {
			case <-stop:
				return
			default:
			}
			for i := n; i < n+5; i++ {
				l.Append(poll(i), uint64(i+1))
			}
			if err := l.Commit(context.Background(), lake.Position{Stream: "s", Seq: uint64(n + 5)}); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	last := ""
	for range 40 {
		got := rows(t, e, shore{lake: l}, "select printf('%08d', count(*)) as n, count(*) = (select sum(results) from reports) from readings")
		if got < last || got[9:] != "true\n" {
			t.Errorf("after %q came %q", last, got)
		}
		last = got
	}
	close(stop)
	<-done
}
