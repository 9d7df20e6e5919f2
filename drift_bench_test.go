package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"testing"
	"time"

	"marginline/ingest/lake"
	query "marginline/sql"
)

// lakeOnly is a lake without a service.
type lakeOnly struct{ lake *lake.Lake }

func (s lakeOnly) Pin(context.Context, []string) (query.Snapshot, error) {
	p, err := s.lake.Pin()
	if err != nil {
		return nil, err
	}
	return &pinned{lake: p}, nil
}

// One series of one unit, and the newest state of a month, out of three million rows of 1,000 units, before and after
// compaction; a tenth of the units was folded twice.
func BenchmarkDriftQuery(b *testing.B) {
	cfg, err := loadConfig("", nil, nil)
	if err != nil {
		b.Fatal(err)
	}
	log := cfg.logger(io.Discard)
	dir := b.TempDir()
	l, err := lake.Open(filepath.Join(dir, "lake"), log, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	e, err := query.Open(query.Config{TempDir: dir, Lake: filepath.Join(dir, "lake"), Timeout: time.Minute}, log)
	if err != nil {
		b.Fatal(err)
	}
	defer e.Close()
	w := l.DriftWriter()
	if err := w.Reset(b.Context(), "bench"); err != nil {
		b.Fatal(err)
	}
	const units, tests, results = 1000, 30, 100
	start := time.Date(2025, 1, 1, 6, 0, 0, 0, time.UTC)
	add := func(u, from, to int) {
		for n := from; n < to; n++ {
			at := start.Add(time.Duration(n) * 150 * time.Hour)
			for k := range tests {
				if err := w.Add(lake.Drift{Unit: fmt.Sprintf("unit-%04d", u), VIN: fmt.Sprintf("9ZZTEST74RA%06d", u), ECU: "7e8", Test: fmt.Sprintf("m21.t%02x", k), Family: "catalyst",
					ReadAt: at, ReportID: fmt.Sprintf("r%d-%d", u, n), Epoch: 1, Value: float64(u + n), Max: 4000, UnitOfMeasure: "Pa", Margin: float64(n) / results, Score: float64(k)}); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	commit := func() {
		w.Seal(lake.Coverage{})
		if err := w.Commit(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	for n := 0; n < results; n += 10 {
		for u := range units {
			add(u, n, n+10)
		}
		commit()
	}
	for u := 0; u < units; u += 10 {
		w.Begin(fmt.Sprintf("unit-%04d", u))
		add(u, 0, results)
	}
	commit()
	ask := func(b *testing.B, text string) {
		for b.Loop() {
			if _, err := e.Query(b.Context(), lakeOnly{l}, text); err != nil {
				b.Fatal(err)
			}
		}
	}
	queries := func(b *testing.B) {
		b.Run("series", func(b *testing.B) {
			ask(b, "select read_at, value, margin, score, p_cross_30d from drift where unit = 'unit-0520' and test = 'm21.t07' order by 1")
		})
		b.Run("month", func(b *testing.B) {
			ask(b, "select unit, test, max(score) from drift where read_at >= '2026-06-01' and read_at < '2026-07-01' group by all order by 3 desc limit 20")
		})
	}
	b.Run("committed", queries)
	if _, err := l.Compact(b.Context(), true); err != nil {
		b.Fatal(err)
	}
	b.Run("compacted", queries)
}
