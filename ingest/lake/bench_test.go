package lake

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"marginline/ingest/series"
)

// flush is 250,000 readings of 500 vehicles, 25 results a report.
func flush() []*series.Poll {
	const vehicles, each, results = 500, 20, 25
	out := make([]*series.Poll, 0, vehicles*each)
	for n := range each {
		for v := range vehicles {
			out = append(out, poll(v, n, results))
		}
	}
	return out
}

// cpu is the processor time this process has used: steadier than the clock on a shared machine.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func BenchmarkAppendAndCommit250kReadings(b *testing.B) {
	polls := flush()
	l, err := Open(b.TempDir(), slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	b.ReportAllocs()
	seq, rows := uint64(0), 0
	before := cpu(b)
	for b.Loop() {
		for _, p := range polls {
			seq++
			l.Append(p, seq)
		}
		rows += l.Rows()
		if err := l.Commit(b.Context(), Position{stream, seq}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(float64(cpu(b)-before)/float64(rows), "cpu-ns/row")
	st := l.Stats()[readings]
	b.ReportMetric(float64(st.Bytes)/float64(st.Rows), "B/reading")
}

func BenchmarkPolls(b *testing.B) {
	l, err := Open(b.TempDir(), slog.New(slog.DiscardHandler), nil)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	const flushes = 8
	seq := uint64(0)
	for range flushes {
		for _, p := range flush() {
			seq++
			l.Append(p, seq)
		}
		if err := l.Commit(b.Context(), Position{stream, seq}); err != nil {
			b.Fatal(err)
		}
	}
	for _, c := range []struct {
		name string
		vins []string
	}{{"one vehicle", []string{fmt.Sprintf("9ZZTEST%010d", 77)}}, {"all", nil}} {
		b.Run(fmt.Sprintf("%s of %d readings", c.name, l.Stats()[readings].Rows), func(b *testing.B) {
			b.ReportAllocs()
			rows := 0
			before := cpu(b)
			for b.Loop() {
				for p, err := range l.Polls(b.Context(), c.vins, nil, time.Time{}) {
					if err != nil {
						b.Fatal(err)
					}
					rows += len(p.Results)
				}
			}
			b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "readings/s")
			b.ReportMetric(float64(cpu(b)-before)/float64(b.N)/1e6, "cpu-ms/op")
		})
	}
}

// BenchmarkCommitBesideCompaction tells what compaction costs the commits beside it: the time of commits of
// 13,000 rows alone, and while groups are merged all the time.
func BenchmarkCommitBesideCompaction(b *testing.B) {
	for _, beside := range []bool{false, true} {
		b.Run(fmt.Sprintf("compacting=%v", beside), func(b *testing.B) {
			l, err := Open(b.TempDir(), slog.New(slog.DiscardHandler), nil)
			if err != nil {
				b.Fatal(err)
			}
			defer l.Close()
			polls := flush()[:500]
			ctx, stop := context.WithCancel(b.Context())
			var wg sync.WaitGroup
			merged := 0
			if beside {
				wg.Go(func() {
					for ctx.Err() == nil {
						done, err := l.Compact(ctx, true)
						if err != nil && ctx.Err() == nil {
							b.Error(err)
							return
						}
						merged += done.Merges
					}
				})
			}
			var took []time.Duration
			seq := uint64(0)
			for b.Loop() {
				for _, p := range polls {
					seq++
					l.Append(p, seq)
				}
				at := time.Now()
				if err := l.Commit(b.Context(), Position{stream, seq}); err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(at))
			}
			stop()
			wg.Wait()
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2])/1e6, "p50-ms")
			b.ReportMetric(float64(took[len(took)*99/100])/1e6, "p99-ms")
			b.ReportMetric(float64(merged), "merges")
		})
	}
}

// What a commit of drift costs, by its rows: nearly all of a small one is syncs.
func BenchmarkDriftCommit(b *testing.B) {
	for _, n := range []int{100, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			l, err := Open(b.TempDir(), slog.New(slog.DiscardHandler), nil)
			if err != nil {
				b.Fatal(err)
			}
			defer l.Close()
			w := l.DriftWriter()
			if err := w.Reset(b.Context(), "s1"); err != nil {
				b.Fatal(err)
			}
			var rows []Drift
			for at := 0; len(rows) < n; at++ {
				rows = append(rows, rowsOfDrift([]*series.Poll{poll(at%500, at, 10)})...)
			}
			b.ReportAllocs()
			before, commits := cpu(b), 0
			for seq := uint64(1); b.Loop(); seq++ {
				commits++
				for i := range rows[:n] {
					if err := w.Add(rows[i]); err != nil {
						b.Fatal(err)
					}
				}
				w.Seal(Coverage{Position: Position{stream, seq}})
				if err := w.Commit(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(cpu(b)-before)/float64(commits)/1e6, "cpu-ms/op")
			st := l.Stats()[drift]
			b.ReportMetric(float64(st.Bytes)/float64(st.Rows), "B/row")
		})
	}
}
