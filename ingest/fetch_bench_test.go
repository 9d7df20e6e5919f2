package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"syscall"
	"testing"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/lake"
	"marginline/ingest/report"
)

// BenchmarkFetchToCommit is the way of reports that are in the log: fetch, parse, decode, append, Parquet, sync and
// Iceberg commit. Publishing is not in it. 25,000 reports of 40 results make a million readings.
func BenchmarkFetchToCommit(b *testing.B) {
	for _, form := range []string{"json", "protobuf"} {
		b.Run(form, func(b *testing.B) { fetchToCommit(b, form, 25_000, 0) })
	}
}

// BenchmarkReaders is the same with 1, 2, 3 and 4 workers that parse and decode. It grows as long as there are processors
// that the Parquet files of the batch before leave (deploy/several-machines.md).
func BenchmarkReaders(b *testing.B) {
	for n := 1; n <= 4; n++ {
		b.Run(fmt.Sprint(n), func(b *testing.B) { fetchToCommit(b, "json", 25_000, n) })
	}
}

func fetchToCommit(b *testing.B, form string, reports, readers int) {
	const perMessage, messages = 4, 10
	out := make([]broker.Outgoing, 0, 1000)
	log := slog.New(slog.DiscardHandler)
	br, err := broker.Open(b.Context(), broker.Config{Dir: b.TempDir()}, log)
	if err != nil {
		b.Fatal(err)
	}
	defer br.Close()
	for i := range reports {
		device := fmt.Sprint("dgl-", i%500)
		list := []string{"41 1F 04 D2 30 05 31 01 F4 2F 80 46 3C 05 7B", "49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00"}
		for m := range messages {
			text := "46"
			for t := range perMessage {
				text += fmt.Sprintf(" %02X %02X 20 %04X 00 80 FF FF", 0x21+m, 0x81+t, 0x0140+(i*7+m*31+t)%200)
			}
			list = append(list, text)
		}
		payload := []byte(reportOf(fmt.Sprint("r", i), device, "", time.Date(2026, 1, 1, 0, i/500, 0, 0, time.UTC).Format(time.RFC3339), list...))
		if form == "protobuf" {
			r, err := report.Parse(payload)
			if err != nil {
				b.Fatal(err)
			}
			if payload, err = r.EncodeProto(); err != nil {
				b.Fatal(err)
			}
		}
		out = append(out, broker.Outgoing{Device: device, Payload: payload})
		if len(out) == cap(out) || i == reports-1 {
			if _, err := br.PublishBatch(b.Context(), out); err != nil {
				b.Fatal(err)
			}
			out = out[:0]
		}
	}
	_, last, err := br.Stream(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	want := reports * perMessage * messages
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	before := used()
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		b.StopTimer()
		l, err := lake.Open(b.TempDir(), log, nil)
		if err != nil {
			b.Fatal(err)
		}
		ctx, cancel := context.WithCancel(b.Context())
		c := NewConsumer(br, l, func() *fleet.Roster { return nil }, Config{Readers: readers}, log, nil)
		done := make(chan error, 1)
		b.StartTimer()
		go func() { done <- c.Run(ctx) }()
		if err := c.Committed(ctx, last); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		if n := c.Counts(); n.Readings != uint64(want) {
			b.Fatalf("%+v", n)
		}
		cancel()
		<-done
		if err := l.Close(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
	b.ReportMetric(float64(want)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(used()-before)/float64(want*b.N), "cpu-ns/reading")
}
