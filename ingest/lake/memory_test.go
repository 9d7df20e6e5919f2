package lake

import (
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"testing"
	"time"

	"marginline/ingest/series"
)

// manyFlushes is a lake of n small flushes of 100 vehicles, 20 results a report.
func manyFlushes(tb testing.TB, n int) *Lake {
	tb.Helper()
	l, err := Open(tb.TempDir(), slog.New(slog.DiscardHandler), nil)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { l.Close() })
	seq := uint64(0)
	for i := range n {
		for v := range 100 {
			seq++
			l.Append(poll(v, i*2, 20), seq)
		}
		if err := l.Commit(tb.Context(), Position{stream, seq}); err != nil {
			tb.Fatal(err)
		}
	}
	return l
}

func allocated() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}

// held is the bytes that stay after two rounds of the collector: a sync.Pool lives through one.
func held() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// replayOne replays one vehicle and calls each for every poll, which is the nth, one at a time.
func replayOne(tb testing.TB, l *Lake, each func(n int)) {
	tb.Helper()
	vin := fmt.Sprintf("9ZZTEST%010d", 77)
	n := 0
	var mu sync.Mutex
	err := l.Replay(tb.Context(), series.Replay{VINs: []string{vin},
		Unit: func(v, _ string) int {
			if v == vin {
				return 0
			}
			return -1
		},
		Each: func(int, *series.Poll) error {
			mu.Lock()
			defer mu.Unlock()
			n++
			each(n)
			return nil
		}})
	if err != nil {
		tb.Fatal(err)
	}
	if n == 0 {
		tb.Fatal("nothing was replayed")
	}
}

// costOfOne is what a replay of one vehicle allocates, and the most that is held at a poll.
func costOfOne(tb testing.TB, l *Lake) (bytes uint64, most int64) {
	before := held()
	replayOne(tb, l, func(n int) {
		if n%16 == 0 {
			most = max(most, held()-before)
		}
	})
	at := allocated()
	replayOne(tb, l, func(int) {})
	return allocated() - at, most
}

// A late reading folds its unit again from the history, a live service does so every few seconds, and its history is many
// small files: each must cost little. Bytes, not time.
func TestReplayOfOneUnitCostsLittle(t *testing.T) {
	const files = 32
	l := manyFlushes(t, files)
	bytes, most := costOfOne(t, l)
	limit := uint64(3 << 19)
	if racing {
		limit *= 2
	}
	if each := bytes / files; each > limit {
		t.Errorf("%d KiB are allocated for each file", each>>10)
	}
	if most > 16<<20 {
		t.Errorf("%d MiB are held meanwhile", most>>20)
	}
}

// A merge holds a few thousand rows of each source, not a row group, and no poll that it has passed on.
func TestMergeHoldsStretches(t *testing.T) {
	l := manyFlushes(t, 1)
	const files, each = 8, 1500
	seq := l.Position().Seq
	for range files {
		for i := range each {
			seq++
			l.Append(poll(i%50, int(seq), 20), seq)
		}
		commit(t, l, seq)
	}
	old := map[string]bool{}
	for _, f := range l.set.heads[reports].files {
		old[f.group] = true
	}
	before, most, n := held(), int64(0), 0
	for _, err := range l.merged(t.Context(), l.set, old) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n%3000 == 1 {
			most = max(most, held()-before)
		}
	}
	if most > 56<<20 {
		t.Errorf("%d MiB are held to merge %d rows", most>>20, files*each*20)
	}
}

func BenchmarkReplayOneUnit(b *testing.B) {
	l := manyFlushes(b, 100)
	bytes, most := costOfOne(b, l)
	before := cpu(b)
	for b.Loop() {
		replayOne(b, l, func(int) {})
	}
	b.ReportMetric(float64(cpu(b)-before)/float64(b.N)/1e6, "cpu-ms/replay")
	b.ReportMetric(float64(bytes)/(1<<20), "allocated-MiB")
	b.ReportMetric(float64(most)/(1<<20), "held-MiB")
}

// A merge of drift holds a row group of what it writes and some hundred rows of each file that it reads: the whole table
// is folded again at each fit, and is merged while readings come in.
func TestMergeOfDriftHoldsLittle(t *testing.T) {
	l := manyFlushes(t, 1)
	const files, each = 8, SpillRows
	d := emptyDrift()
	d.ECU, d.Test, d.UnitOfMeasure, d.Epoch = "7e8", "m21.t81", "1", 1
	for f := range files {
		w := writer(t, l)
		for i := range each {
			d.Unit, d.VIN = fmt.Sprintf("%04d", i%50), fmt.Sprintf("9ZZTEST%010d", i%50)
			d.ReadAt = epoch.Add(time.Duration(f*each+i) * time.Second)
			d.ReportID, d.Value, d.Score = fmt.Sprintf("%08d", (f*each+i)/20), float64(i%977), float64(i%89)
			if err := w.Add(d); err != nil {
				t.Fatal(err)
			}
		}
		commitDrift(t, w)
	}
	var chosen []driftGroup
	for _, f := range l.set.heads[drift].files {
		chosen = append(chosen, driftGroup{dataFile: f})
	}
	if len(chosen) != files {
		t.Fatalf("%d files of drift", len(chosen))
	}
	var done Compacted
	before, most, n := held(), int64(0), 0
	err := l.mergeDrift(t.Context(), chosen, func(*Drift) bool {
		if n++; n%(files*each/7) == 0 {
			most = max(most, held()-before)
		}
		return true
	}, &done)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d MiB are held to merge %d rows", most>>20, n)
	if most > 50<<20 {
		t.Errorf("%d MiB are held to merge %d rows", most>>20, n)
	}
}
