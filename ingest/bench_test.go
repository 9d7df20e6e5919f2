package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
)

// BenchmarkImport takes a file of 5,000 reports of 24 test results each through log, decoder and lake.
func BenchmarkImport(b *testing.B) {
	const reports, results = 5000, 24
	var records strings.Builder
	for tid := range results / 2 {
		fmt.Fprintf(&records, " 21 %02X 20 01 40 00 80 FF FF", tid+1)
	}
	msg := "46" + records.String()
	var file strings.Builder
	for i := range reports {
		line := reportOf(fmt.Sprint("r", i), fmt.Sprint("dgl-", i%50), "", time.Date(2026, 1, 1, 0, i, 0, 0, time.UTC).Format(time.RFC3339),
			msg, msg, fuel, "41 46 3C", "41 05 7B", "41 33 64", "41 1F 04 D2", "41 30 05", "41 31 01 F4", "49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00")
		fmt.Fprintln(&file, line)
	}
	b.SetBytes(int64(file.Len()))
	for b.Loop() {
		ctx, cancel := context.WithCancel(b.Context())
		log := slog.New(slog.DiscardHandler)
		br, err := broker.Open(ctx, broker.Config{Dir: b.TempDir()}, log)
		if err != nil {
			b.Fatal(err)
		}
		l, err := lake.Open(b.TempDir(), log, nil)
		if err != nil {
			b.Fatal(err)
		}
		c := NewConsumer(br, l, func() *fleet.Roster { return nil }, Config{}, log, nil)
		done := make(chan error, 1)
		go func() { done <- c.Run(ctx) }()
		got, err := NewImporter(br).Import(ctx, strings.NewReader(file.String()))
		if err != nil {
			b.Fatal(err)
		}
		if err := c.Committed(ctx, got.LastSeq); err != nil {
			b.Fatal(err)
		}
		if n := c.Counts(); n.Readings != reports*results {
			b.Fatalf("%+v", n)
		}
		cancel()
		<-done
		br.Close()
		l.Close()
	}
	b.ReportMetric(reports*results*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
