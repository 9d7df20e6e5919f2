package lake

import (
	"errors"
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"marginline/ingest/series"
)

var errStop = errors.New("stopped by the test")

// batch is one commit's worth of polls for the crash tests: several vehicles, some without results.
func batch(from, n int) []*series.Poll {
	var out []*series.Poll
	for i := range n {
		out = append(out, poll(i%4, from+i, (i%3)*4))
	}
	return out
}

// steps are the names of all steps of a commit that has rows for every table.
func steps(t *testing.T) []string {
	l := open(t, t.TempDir())
	var names []string
	l.step = func(s string) error { names = append(names, s); return nil }
	feed(l, batch(0, 12), 1)
	commit(t, l, 12)
	if len(names) < 20 {
		t.Fatalf("only %d steps: %q", len(names), names)
	}
	return names
}

func feed(l *Lake, polls []*series.Poll, seq uint64) {
	for _, p := range polls {
		l.Append(p, seq)
		seq++
	}
}

// die commits and dies at a step.
func die(t *testing.T, l *Lake, pos Position, at string) {
	t.Helper()
	dieIn(t, l, at, func() error { return l.Commit(t.Context(), pos) })
}

// dieIn does something and ends its goroutine at a step, as a killed process ends: nothing after the step is
// done, not even cleaning up.
func dieIn(t *testing.T, l *Lake, at string, do func() error) {
	t.Helper()
	ended := make(chan error, 1)
	l.step = func(s string) error {
		if s == at {
			runtime.Goexit()
		}
		return nil
	}
	go func() {
		var err error
		defer func() { ended <- err }()
		err = errors.New("gone")
		if err = do(); err == nil {
			err = errors.New("it ended before the step")
		}
	}()
	if err := <-ended; err == nil || err.Error() != "gone" {
		t.Fatalf("step %s: %v", at, err)
	}
}

func ordered(polls ...[]*series.Poll) []*series.Poll {
	out := slices.Concat(polls...)
	slices.SortFunc(out, func(a, b *series.Poll) int {
		if a.ReportID < b.ReportID {
			return -1
		}
		return 1
	})
	return out
}

func verified(t *testing.T, dir string) Summary {
	t.Helper()
	problems, sum, err := Verify(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("verify: %v", p)
	}
	return sum
}

// tablesHold checks that every table, asked alone, holds the rows of the polls and no others.
func tablesHold(t *testing.T, l *Lake, polls []*series.Poll) {
	t.Helper()
	want := map[string]int64{"reports": int64(len(polls)), "readings": 0, "codes": 0}
	for _, p := range polls {
		want["readings"] += int64(len(p.Results))
		want["codes"] += int64(len(p.Codes))
	}
	p, err := l.Pin()
	if err != nil {
		t.Fatal(err)
	}
	defer p.Release()
	for _, tb := range p.Tables() {
		if tb.Name == "drift" { // derived; its own tests count it
			continue
		}
		if tb.Rows != want[tb.Name] {
			t.Errorf("table %s has %d rows, want %d", tb.Name, tb.Rows, want[tb.Name])
		}
	}
}

// othersSee checks that the newest metadata on disk, which is all that another engine goes by, is at the
// committed snapshot in every table.
func othersSee(t *testing.T, l *Lake) {
	t.Helper()
	for i, tb := range l.tables {
		v, err := latest(tb.metadataDir())
		if err != nil {
			t.Fatal(err)
		}
		m, err := readMetadata(versionFile(tb.metadataDir(), v), tb.spec)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := m.current(), l.set.heads[i].snapshot; got != want {
			t.Errorf("table %s: other engines see snapshot %d, %d is committed", tb.name, got, want)
		}
	}
}

func TestDeathAtEveryStepLosesAndDoublesNothing(t *testing.T) {
	first, second := batch(0, 12), batch(12, 9)
	for _, at := range steps(t) {
		for _, before := range []int{0, 1} { // dies in the first commit, or in the second
			t.Run(fmt.Sprintf("%s after %d commits", at, before), func(t *testing.T) {
				t.Parallel() // nearly all of it is waiting for syncs
				dir := t.TempDir()
				l := open(t, dir)
				mem := l.mem
				var done []*series.Poll
				pos := Position{stream, 12}
				if before == 1 {
					feed(l, first, 1)
					commit(t, l, 12)
					done, pos.Seq = ordered(first), 21
				}
				again, seq := [][]*series.Poll{first, second}[before], []uint64{1, 13}[before]
				feed(l, again, seq)
				die(t, l, pos, at)
				l.mem = mem

				l = open(t, dir)
				// The link of the reports table is the moment of the commit.
				want := Position{stream, 12}
				if before == 0 {
					want = Position{}
				}
				if at == "reports.link" || at == "reports.sync" || at == "reports.hint" {
					want, done = pos, ordered(done, again)
				}
				if got := l.Position(); got != want {
					t.Fatalf("position %v, want %v", got, want)
				}
				same(t, fetch(t, l, nil, nil, time.Time{}), done)
				tablesHold(t, l, done)
				verified(t, dir)
				othersSee(t, l)
				for _, d := range []string{"readings", "codes", "reports"} {
					for _, s := range []string{"data", "metadata"} {
						if n, err := l.fs.sweep(dir + "/" + d + "/" + s); err != nil || n != 0 {
							t.Errorf("%d half-written files stay in %s/%s (%v)", n, d, s, err)
						}
					}
				}

				// The stream delivers everything after the position again, and more.
				seq = l.Position().Seq + 1
				all := ordered(first, second)
				inOrder := slices.Concat(first, second)
				feed(l, inOrder[seq-1:], seq)
				commit(t, l, 21)
				same(t, fetch(t, l, nil, nil, time.Time{}), all)
				tablesHold(t, l, all)
				verified(t, dir)
				l = open(t, dir)
				same(t, fetch(t, l, nil, nil, time.Time{}), all)
				if got := l.Position(); got != (Position{stream, 21}) {
					t.Errorf("position %v", got)
				}
			})
		}
	}
}

func TestFailureAtEveryStepIsRetried(t *testing.T) {
	for _, at := range steps(t) {
		t.Run(at, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			l := open(t, dir)
			first, second := batch(0, 12), batch(12, 9)
			feed(l, first, 1)
			commit(t, l, 12)
			feed(l, second[:5], 13)
			rows := l.Rows()
			failed := 0
			l.step = func(s string) error {
				if s == at && failed < 3 {
					failed++
					return errStop
				}
				return nil
			}
			err := l.Commit(t.Context(), Position{stream, 17})
			// A failed call after the link is found out to have worked.
			if linked := len(at) > 5 && at[len(at)-5:] == ".link"; linked != (err == nil) {
				t.Fatalf("step %s: %v", at, err)
			}
			if err != nil && (!errors.Is(err, errStop) || l.Rows() != rows) {
				t.Fatalf("%v; %d of %d rows are still buffered", err, l.Rows(), rows)
			}
			if err != nil {
				same(t, fetch(t, l, nil, nil, time.Time{}), ordered(first))
			}
			feed(l, second[5:], 18)
			tries := 0
			for err = l.Commit(t.Context(), Position{stream, 21}); err != nil; err = l.Commit(t.Context(), Position{stream, 21}) {
				if tries++; tries > 4 {
					t.Fatal(err)
				}
			}
			all := ordered(first, second)
			same(t, fetch(t, l, nil, nil, time.Time{}), all)
			tablesHold(t, l, all)
			if l.Rows() != 0 {
				t.Errorf("%d rows are still buffered", l.Rows())
			}
			verified(t, dir)
			l = open(t, dir)
			same(t, fetch(t, l, nil, nil, time.Time{}), all)
			tablesHold(t, l, all)
		})
	}
}

// Between death and restart the program may be updated and read a report otherwise. All tables follow the
// new reading.
func TestReplayMayReadOtherwise(t *testing.T) {
	dir := t.TempDir()
	l := open(t, dir)
	feed(l, batch(0, 12), 1)
	die(t, l, Position{stream, 12}, "codes.hint")
	l = open(t, dir)
	if got := l.Position(); got != (Position{}) {
		t.Fatalf("position %v", got)
	}
	other := batch(0, 12)
	for _, p := range other {
		p.Results = append(p.Results, poll(1, 1, 1).Results...)
		p.Codes = nil
	}
	feed(l, other, 1)
	commit(t, l, 12)
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(other))
	tablesHold(t, l, other)
	if sum := verified(t, dir); sum.Stray != 3 {
		t.Errorf("%d stray files, want the three of the unfinished commit", sum.Stray)
	}
}
