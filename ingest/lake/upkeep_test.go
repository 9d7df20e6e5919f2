package lake

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/apache/iceberg-go"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"marginline/ingest/series"
)

func versionOf(t *testing.T, l *Lake, i int) (version int, snapshots int) {
	t.Helper()
	return l.tables[i].version, len(l.tables[i].tip.Snapshots)
}

func TestCommitWithoutRowsKeepsThePosition(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	feed(l, batch(0, 3), 1)
	commit(t, l, 3)
	version, snapshots := versionOf(t, l, reports)
	others, _ := versionOf(t, l, readings)

	commit(t, l, 3) // nothing new at all
	commit(t, l, 2) // and never backwards
	if v, _ := versionOf(t, l, reports); v != version {
		t.Errorf("version %d after commits of nothing, want %d", v, version)
	}
	commit(t, l, 9) // every message since was a repeat
	if v, s := versionOf(t, l, reports); v != version+1 || s != snapshots {
		t.Errorf("version %d with %d snapshots, want %d with %d", v, s, version+1, snapshots)
	}
	if v, _ := versionOf(t, l, readings); v != others {
		t.Errorf("readings has version %d, want %d: it has no news", v, others)
	}
	l = open(t, dir)
	if got := l.Position(); got != (Position{stream, 9}) {
		t.Errorf("position %v", got)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(batch(0, 3)))
	verified(t, dir)

	// What comes again although it is committed is dropped, what is beyond the position waits.
	feed(l, batch(0, 3), 7)
	feed(l, batch(3, 2), 10)
	commit(t, l, 10)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(batch(0, 3), batch(3, 2)[:1]))
	if p := batch(3, 2)[1]; l.Rows() != rowsOf(p) {
		t.Errorf("%d rows wait, want %d", l.Rows(), rowsOf(p))
	}

	// In another stream the numbers begin again.
	feed2 := batch(8, 2)
	l = open(t, dir)
	feed(l, feed2, 1)
	if err := l.Commit(t.Context(), Position{"OBD_REPORTS@later", 2}); err != nil {
		t.Fatal(err)
	}
	if got := l.Position(); got != (Position{"OBD_REPORTS@later", 2}) {
		t.Errorf("position %v", got)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(batch(0, 3), batch(3, 2)[:1], feed2))
	verified(t, dir)
}

func TestUpkeepOverManyCommits(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	const n = 230
	var want []*series.Poll
	for i := range n {
		p := poll(i%3, i, 2)
		want = append(want, p)
		feed(l, []*series.Poll{p}, uint64(i+1))
		commit(t, l, uint64(i+1))
	}
	h := l.set.heads[readings]
	if len(h.manifests) >= mergeAt+1 || len(h.files) != n {
		t.Errorf("%d manifests for %d files", len(h.manifests), len(h.files))
	}
	// Merged entries keep the sequence number of the commit that brought them.
	seen, snapshots := map[int64]bool{}, map[int64]bool{}
	for _, m := range h.manifests {
		entries, err := l.tables[readings].entries(m)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			seen[e.SequenceNum()], snapshots[e.SnapshotID()] = true, true
			if merged := len(entries) > 1; merged != (e.Status() == iceberg.EntryStatusEXISTING) || merged && m.AddedDataFiles() != 0 {
				t.Errorf("status %v in a manifest of %d, of which %d added", e.Status(), len(entries), m.AddedDataFiles())
			}
			if e.SequenceNum() < m.MinSequenceNum() {
				t.Errorf("entry of sequence %d in a manifest from %d on", e.SequenceNum(), m.MinSequenceNum())
			}
		}
	}
	if len(seen) != n || len(snapshots) != n {
		t.Errorf("%d sequence numbers and %d snapshots for %d commits", len(seen), len(snapshots), n)
	}
	if v, s := versionOf(t, l, readings); v != n+1 || s != keepSnapshots {
		t.Errorf("version %d with %d snapshots, want %d with %d", v, s, n+1, keepSnapshots)
	}
	files, err := filepath.Glob(filepath.Join(dir, "readings", "metadata", "*.metadata.json"))
	if err != nil || len(files) != keepMetadata+1 {
		t.Errorf("%d metadata files, want %d (%v)", len(files), keepMetadata+1, err)
	}
	m := l.tables[readings].tip
	if len(m.SnapshotLog) != keepSnapshots || m.SnapshotLog[0].SnapshotID != m.Snapshots[0].ID {
		t.Errorf("the snapshot log has %d entries", len(m.SnapshotLog))
	}
	slices.SortFunc(want, func(a, b *series.Poll) int { return strings.Compare(a.ReportID, b.ReportID) })
	same(t, fetch(t, l, nil, nil, time.Time{}), want)
	if err := os.Remove(filepath.Join(dir, "reports", "metadata", "version-hint.text")); err != nil {
		t.Fatal(err)
	}
	again := open(t, dir)
	same(t, fetch(t, again, nil, nil, time.Time{}), want)
	tablesHold(t, again, want)
	verified(t, dir)
}

// The committed snapshot stays in the metadata however many unfinished ones follow it.
func TestManyFailuresKeepTheCommittedSnapshot(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	feed(l, batch(0, 12), 1)
	commit(t, l, 12)
	feed(l, batch(12, 9), 13)
	l.step = func(s string) error {
		if s == "codes.metadata" {
			return errStop
		}
		return nil
	}
	for range keepSnapshots + 10 {
		if err := l.Commit(t.Context(), Position{stream, 21}); !errors.Is(err, errStop) {
			t.Fatal(err)
		}
	}
	again := open(t, dir)
	same(t, fetch(t, again, nil, nil, time.Time{}), ordered(batch(0, 12)))
	tablesHold(t, again, batch(0, 12))
	verified(t, dir)
}

func TestSecondWriterIsNoticed(t *testing.T) {
	dir := t.TempDir()
	one, two := open(t, dir), open(t, dir)
	feed(one, batch(0, 3), 1)
	commit(t, one, 3)
	feed(two, batch(3, 3), 1)
	for range 2 {
		if err := two.Commit(t.Context(), Position{stream, 3}); !errors.Is(err, ErrConflict) {
			t.Fatalf("error %v, want a conflict", err)
		}
	}
	if two.Rows() == 0 {
		t.Error("the buffer was dropped")
	}
	feed(one, batch(6, 3), 4)
	commit(t, one, 6)
	same(t, fetch(t, one, nil, nil, time.Time{}), ordered(batch(0, 3), batch(6, 3)))
	verified(t, dir)
}

func TestMovedLakeReadsAndGrows(t *testing.T) {
	base := t.TempDir()
	l := open(t, filepath.Join(base, "old"))
	feed(l, batch(0, 6), 1)
	commit(t, l, 6)
	if err := os.Rename(filepath.Join(base, "old"), filepath.Join(base, "new")); err != nil {
		t.Fatal(err)
	}
	l = open(t, filepath.Join(base, "new"))
	feed(l, batch(6, 6), 7)
	commit(t, l, 12)
	l = open(t, filepath.Join(base, "new"))
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(batch(0, 6), batch(6, 6)))
	verified(t, filepath.Join(base, "new"))
}

func TestHalfWrittenFilesAreSwept(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	feed(l, batch(0, 6), 1)
	commit(t, l, 6)
	for _, f := range []string{"readings/data/x.parquet.tmp", "reports/metadata/v9.metadata.json.tmp"} {
		if err := os.WriteFile(filepath.Join(dir, f), []byte("half"), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	l = open(t, dir)
	left, err := filepath.Glob(filepath.Join(dir, "*", "*", "*.tmp"))
	if err != nil || len(left) != 0 {
		t.Errorf("%q stay (%v)", left, err)
	}
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(batch(0, 6)))
}

func TestPinnedStateStaysAsItWas(t *testing.T) {
	l := open(t, t.TempDir())
	empty, err := l.Pin()
	if err != nil {
		t.Fatal(err)
	}
	defer empty.Release()
	feed(l, batch(0, 6), 1)
	commit(t, l, 6)
	fold(t, l, batch(0, 6))
	pin, err := l.Pin()
	if err != nil {
		t.Fatal(err)
	}
	feed(l, batch(6, 6), 7)
	commit(t, l, 12)
	for _, tb := range empty.Tables() {
		if tb.Rows != 0 || len(tb.Files) != 0 || tb.SnapshotID != 0 || len(tb.Columns) == 0 {
			t.Errorf("pinned before the first commit: %+v", tb)
		}
	}
	var names []string
	for _, tb := range pin.Tables() {
		names = append(names, tb.Name)
		if len(tb.Files) != 1 || tb.CommittedAt.IsZero() || tb.SnapshotID == 0 || !filepath.IsAbs(tb.Files[0].Path) {
			t.Errorf("pinned after the first commit: %+v", tb)
		}
	}
	if !slices.Equal(names, []string{"codes", "drift", "readings", "reports"}) || pin.Position().Seq != 6 {
		t.Errorf("tables %q at %v", names, pin.Position())
	}
	if len(l.refs) != 2 {
		t.Errorf("%d states are held, want 2", len(l.refs))
	}
	pin.Release()
	pin.Release()
	if len(l.refs) != 1 {
		t.Errorf("%d states are held, want 1", len(l.refs))
	}
}

func TestClosedLake(t *testing.T) {
	reg := prometheus.NewRegistry()
	dir := t.TempDir()
	l, err := Open(dir, slog.New(slog.DiscardHandler), reg)
	if err != nil {
		t.Fatal(err)
	}
	feed(l, batch(0, 6), 1)
	commit(t, l, 6)
	if n, err := testutil.GatherAndCount(reg, "marginline_lake_rows_committed_total"); err != nil || n != tableCount {
		t.Errorf("%d series of committed rows (%v)", n, err)
	}
	if got := testutil.ToFloat64(l.metrics.rows.WithLabelValues("reports")); got != 6 {
		t.Errorf("%v reports counted", got)
	}
	feed(l, batch(6, 6), 7)
	if err := errors.Join(l.Close(), l.Close()); err != nil {
		t.Fatal(err)
	}
	if err := l.Commit(t.Context(), Position{stream, 12}); !errors.Is(err, ErrClosed) {
		t.Errorf("commit: %v", err)
	}
	if _, err := l.Pin(); !errors.Is(err, ErrClosed) {
		t.Errorf("pin: %v", err)
	}
	if l, err = Open(dir, slog.New(slog.DiscardHandler), reg); err != nil { // the metrics are free again
		t.Fatal(err)
	}
	defer l.Close()
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(batch(0, 6)))
}

// Readers on other goroutines see whole commits only.
func TestReadersBesideTheWriter(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				n := 0
				for p, err := range l.Polls(t.Context(), nil, nil, time.Time{}) {
					if err != nil {
						t.Error(err)
						return
					}
					n += len(p.VIN) / 17
				}
				if n%5 != 0 {
					t.Errorf("%d polls seen: not a whole number of commits", n)
				}
				l.Position()
				l.Stats()
				if problems, _, err := Verify(t.Context(), dir); err != nil || len(problems) > 0 {
					t.Errorf("verify beside the writer: %v %v", problems, err)
				}
			}
		})
	}
	for i := range 20 {
		feed(l, batch(i*5, 5), uint64(i*5+1))
		commit(t, l, uint64(i*5+5))
	}
	close(stop)
	wg.Wait()
}
