package sql_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"testing"
	"time"

	"marginline/ingest"
	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	"marginline/sql"
)

// BenchmarkAnalystsBesideIntake lets ten analysts ask one scan each, all at once, while intake runs at its full
// rate, and compares both with what they do alone: intake-left is the rate of intake with analysts over that
// without, slowest the time of the slowest answer over that of a lone query, its wait for a turn included.
// Needs a lake of its own for the queries: benchRows readings.
func BenchmarkAnalystsBesideIntake(b *testing.B) {
	in := newIntake(b, 150, 90)
	f := largeLake(b)
	e := openLarge(b, f)
	query := fmt.Sprintf(scans[1].query, "readings")
	var lone, left, slowest []float64
	ask := func() float64 {
		at := time.Now()
		if _, err := e.Arrow(b.Context(), f2b(f), sql.Request{Query: query}, func(in io.Reader) error { _, err := io.Copy(io.Discard, in); return err }); err != nil {
			b.Error(err)
		}
		return time.Since(at).Seconds()
	}
	intakeRate(b, in) // the first one is slower than any later
	for b.Loop() {
		ask()
		alone := ask()
		before := intakeRate(b, in)
		ctx, stop := context.WithCancel(b.Context())
		var worst float64
		var asking sync.WaitGroup
		asking.Go(func() { // ten at once, again and again until intake is through
			for first := true; first || ctx.Err() == nil; first = false {
				var mu sync.Mutex
				var ten sync.WaitGroup
				for range 10 {
					ten.Go(func() {
						took := ask()
						mu.Lock()
						defer mu.Unlock()
						worst = max(worst, took)
					})
				}
				ten.Wait()
			}
		})
		during := intakeRate(b, in)
		stop()
		asking.Wait()
		lone, left, slowest = append(lone, alone*1e3), append(left, during/before), append(slowest, worst/alone)
	}
	b.ReportMetric(median(lone), "ms-lone")
	b.ReportMetric(median(left), "intake-left")
	b.ReportMetric(median(slowest), "slowest")
}

// f2b is another reader of the same lake: a fixture itself is not for many at once.
func f2b(f *fixture) sql.Source {
	return pinFunc(func(context.Context) (sql.Snapshot, error) {
		return &fixture{t: f.t, tables: f.tables, small: f.small}, nil
	})
}

// intakeRate takes all reports from a full log into a lake and gives the readings a second.
func intakeRate(b *testing.B, in *intake) float64 {
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	log := slog.New(slog.DiscardHandler)
	dir, err := os.MkdirTemp(b.TempDir(), "intake-")
	if err != nil {
		b.Fatal(err)
	}
	br, err := broker.Open(ctx, broker.Config{Dir: dir + "/broker"}, log)
	if err != nil {
		b.Fatal(err)
	}
	defer br.Close()
	l, err := lake.Open(dir+"/lake", log, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	last, err := br.PublishBatch(ctx, in.reports)
	if err != nil {
		b.Fatal(err)
	}
	c := ingest.NewConsumer(br, l, func() *fleet.Roster { return in.roster }, ingest.Config{}, log, nil)
	done := make(chan error, 1)
	at := time.Now()
	go func() { done <- c.Run(ctx) }()
	if err := c.Committed(ctx, last); err != nil {
		b.Fatal(err)
	}
	rate := float64(c.Counts().Readings) / time.Since(at).Seconds()
	cancel()
	<-done
	return rate
}
