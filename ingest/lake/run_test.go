package lake

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
)

// A memo keeps what was logged.
type memo struct {
	mu    sync.Mutex
	lines []string
}

func (m *memo) Enabled(context.Context, slog.Level) bool { return true }
func (m *memo) WithAttrs([]slog.Attr) slog.Handler       { return m }
func (m *memo) WithGroup(string) slog.Handler            { return m }
func (m *memo) Handle(_ context.Context, r slog.Record) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.lines = append(m.lines, r.Level.String()+" "+r.Message)
	return nil
}

func (m *memo) count(line string) (n int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.lines {
		if l == line {
			n++
		}
	}
	return n
}

// Upkeep runs beside commits: files are merged, replaced ones deleted, and the number of files and the size of
// the metadata stay bounded however many commits there are.
func TestUpkeepRunsBesideCommits(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	later(l, time.Hour) // files are not young
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- l.Run(ctx, Upkeep{Every: 20 * time.Millisecond, Keep: 1})
	}()
	all, seq := history(t, l, 60)
	deadline := time.After(time.Minute)
	for live(l) > 3*12 {
		select {
		case <-deadline:
			t.Fatalf("%d files are left of %d", live(l), 60*3)
		case <-time.After(10 * time.Millisecond):
		}
	}
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if testutil.ToFloat64(l.metrics.merged) == 0 || testutil.ToFloat64(l.metrics.lastCompaction) == 0 {
		t.Error("the metrics know of no compaction")
	}
	feed(l, batch(9000, 3), seq+1)
	commit(t, l, seq+3)
	intact(t, l, append(all, batch(9000, 3)...))
}

func TestUpkeepRound(t *testing.T) {
	t.Parallel()
	l := open(t, t.TempDir())
	notes := &memo{}
	l.log = slog.New(notes)
	all, _ := history(t, l, 12)
	u := Upkeep{Every: time.Second, Keep: 1}
	quiet := false
	round := func() {
		t.Helper()
		if err := l.keepUp(t.Context(), u, true, &quiet); err != nil {
			t.Fatal(err)
		}
	}
	l.disk = func(string) (disk, error) { return disk{free: 10, size: 100}, nil }
	l.SetFloor(Floor{Bytes: 20})
	round()
	round()
	if notes.count("WARN upkeep failed; it is tried again") != 1 {
		t.Errorf("a full disk is told every time: %q", notes.lines)
	}
	if got := testutil.ToFloat64(l.metrics.upkeepFailures.WithLabelValues("compact")); got != 2 {
		t.Errorf("%v failures counted", got)
	}
	l.disk = diskOf
	l.SetFloor(Floor{})
	later(l, time.Hour)
	round() // merges, drops, condemns
	if got := testutil.ToFloat64(l.metrics.condemned); got == 0 {
		t.Error("no condemned bytes are shown")
	}
	round() // deletes
	if n := dataFiles(t, l); n != live(l) {
		t.Errorf("%d data files for %d", n, live(l))
	}
	if got := testutil.ToFloat64(l.metrics.metadata.WithLabelValues("reports")); got < 1000 {
		t.Errorf("metadata of %v bytes", got)
	}
	if got := testutil.ToFloat64(l.metrics.small); got > 3 {
		t.Errorf("%v small groups", got)
	}
	intact(t, l, all)

	l.broken = ErrConflict
	if err := l.keepUp(t.Context(), u, false, &quiet); !errors.Is(err, ErrConflict) {
		t.Errorf("upkeep goes on after a conflict: %v", err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	for _, every := range []time.Duration{0, time.Hour} {
		if err := l.Run(ctx, Upkeep{Every: every}); err != nil {
			t.Error(err)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(l.dir, "*", "*", "*"+tempSuffix)); len(left) > 0 {
		t.Errorf("%q stay", left)
	}
}
