package lake

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/series"
)

// stepsOf are the names of all steps of something done to a lake with some history.
func stepsOf(t *testing.T, dir string, do func(*Lake) error) []string {
	l := open(t, copied(t, dir))
	var names []string
	l.step = func(s string) error { names = append(names, s); return nil }
	if err := do(l); err != nil {
		t.Fatal(err)
	}
	l.step = nil
	return slices.Compact(names)
}

// made makes a lake with some history for a job, once; its cases work on copies.
func made(t *testing.T, job string) (dir string, all []*series.Poll, seq uint64) {
	t.Helper()
	dir = t.TempDir()
	l := open(t, dir)
	all, seq = history(t, l, 6)
	if job == "sweep" {
		compact(t, l, true)
		if _, err := l.Expire(t.Context(), 1, 0); err != nil {
			t.Fatal(err)
		}
	}
	return dir, slices.Clip(all), seq // its cases run beside each other and append to it
}

func copied(t *testing.T, from string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "lake")
	if err := os.CopyFS(dir, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// intact checks that a lake holds the polls, each once, whoever asks.
func intact(t *testing.T, l *Lake, polls []*series.Poll) {
	t.Helper()
	same(t, fetch(t, l, nil, nil, time.Time{}), ordered(polls))
	tablesHold(t, l, polls)
	othersSee(t, l)
	verified(t, l.dir)
}

// upkeepJobs are what may be cut short at any step.
var upkeepJobs = map[string]func(t *testing.T, l *Lake) error{
	"compact": func(t *testing.T, l *Lake) error { _, err := l.Compact(t.Context(), true); return err },
	"expire":  func(t *testing.T, l *Lake) error { _, err := l.Expire(t.Context(), 1, 0); return err },
	"sweep": func(t *testing.T, l *Lake) error {
		l.now = func() time.Time { return time.Now().Add(time.Hour) }
		defer func() { l.now = time.Now }()
		if _, err := l.Sweep(t.Context(), 0); err != nil {
			return err
		}
		_, err := l.Sweep(t.Context(), 0)
		return err
	},
	"retain": func(t *testing.T, l *Lake) error {
		l.now = func() time.Time { return epoch.AddDate(2, 0, 0) }
		defer func() { l.now = time.Now }()
		_, err := l.Retain(t.Context(), Limits{Readings: minLimit})
		return err
	},
}

// aged is what polls are once their results were removed by age.
func aged(polls []*series.Poll) (out []*series.Poll) {
	for _, p := range polls {
		q := *p
		q.Results = nil
		out = append(out, &q)
	}
	return out
}

// A process that dies at any step of upkeep leaves a lake that opens, holds everything once, takes the next
// commit, and is kept up at the next try.
func TestDeathAtEveryStepOfUpkeep(t *testing.T) {
	for name, job := range upkeepJobs {
		made, all, seq := made(t, name)
		for _, at := range stepsOf(t, made, func(l *Lake) error { return job(t, l) }) {
			t.Run(name+" at "+at, func(t *testing.T) {
				t.Parallel()
				dir, all := copied(t, made), all
				l := open(t, dir)
				mem := l.mem
				dieIn(t, l, at, func() error { return job(t, l) })
				l.mem = mem

				l = open(t, dir)
				if got := l.Position(); got != (Position{stream, seq}) {
					t.Fatalf("position %v, want %d", got, seq)
				}
				if name == "retain" && l.Stats()[readings].Rows == 0 { // it had come to hold
					all = aged(all)
				}
				intact(t, l, all)
				more := batch(5000, 6)
				feed(l, more, seq+1)
				commit(t, l, seq+6)
				if name == "retain" {
					all = aged(all)
				}
				all = append(all, more...)
				if err := job(t, l); err != nil {
					t.Fatal(err)
				}
				intact(t, l, all)
				intact(t, open(t, dir), all)
			})
		}
	}
}

// A step that fails is an error of the job, not of the lake: everything is there, commits go on beside it,
// and the next try succeeds.
func TestFailureAtEveryStepOfUpkeep(t *testing.T) {
	for name, job := range upkeepJobs {
		made, all, seq := made(t, name)
		for _, at := range stepsOf(t, made, func(l *Lake) error { return job(t, l) }) {
			t.Run(name+" at "+at, func(t *testing.T) {
				t.Parallel()
				l, all := open(t, copied(t, made)), all
				err := failingOnce(t, l, at, func() error { return job(t, l) })
				// Where the last link was made but not synced the change is not taken to hold, and it is not lost.
				want := all
				if name == "retain" && err == nil {
					want = aged(all)
				}
				same(t, fetch(t, l, nil, nil, time.Time{}), ordered(want))
				more := batch(5000, 6)
				feed(l, more, seq+1)
				commit(t, l, seq+6)
				if name == "retain" && l.Stats()[readings].Rows < int64(len(all)) {
					all = aged(all)
				}
				if err := job(t, l); err != nil {
					t.Fatal(err)
				}
				if name == "retain" {
					all = aged(all)
				}
				intact(t, l, append(all, more...))
			})
		}
	}
}

// A change of upkeep that was published and not synced is settled by the next commit or the next upkeep.
func TestUnsyncedCompactionIsSettled(t *testing.T) {
	for _, next := range []string{"commit", "compact"} {
		t.Run(next, func(t *testing.T) {
			t.Parallel()
			l := open(t, t.TempDir())
			all, seq := history(t, l, 6)
			l.step = func(s string) error {
				if s == "reports.sync" {
					return errStop
				}
				return nil
			}
			if _, err := l.Compact(t.Context(), true); !errors.Is(err, errUnsynced) {
				t.Fatal(err)
			}
			if got := l.Stats()[reports].Files; got != 6 {
				t.Errorf("%d files are taken to be committed, want the 6 of before", got)
			}
			l.step = nil
			if next == "commit" {
				more := batch(5000, 3)
				feed(l, more, seq+1)
				commit(t, l, seq+3)
				all = append(all, more...)
			} else {
				compact(t, l, true)
			}
			if l.pending != nil {
				t.Error("nothing settled it")
			}
			if got := l.Stats()[reports].Files; got > 4 {
				t.Errorf("%d files", got)
			}
			intact(t, l, all)
		})
	}
	l := open(t, t.TempDir()) // and a commit that is not settled is not upkeep's to settle
	all, seq := history(t, l, 3)
	feed(l, batch(5000, 3), seq+1)
	l.step = func(s string) error {
		if s == "reports.sync" {
			return errStop
		}
		return nil
	}
	if err := l.Commit(t.Context(), Position{stream, seq + 3}); err == nil {
		t.Fatal("committed")
	}
	l.step = nil
	for name, job := range upkeepJobs {
		if err := job(t, l); !errors.Is(err, errLater) {
			t.Errorf("%s: %v", name, err)
		}
	}
	commit(t, l, seq+3)
	intact(t, l, append(all, batch(5000, 3)...))
}

// failingOnce does a job whose step fails the first time. Where the step is a link that was made and could not be synced the
// job succeeds; else its error, which is the step's, is returned.
func failingOnce(t *testing.T, l *Lake, at string, job func() error) error {
	failed := false
	l.step = func(s string) error {
		if s == at && !failed {
			failed = true
			return errStop
		}
		return nil
	}
	err := job()
	if linked := strings.HasSuffix(at, ".link"); linked != (err == nil) || err != nil && !errors.Is(err, errStop) {
		t.Fatalf("step %s: %v", at, err)
	}
	return err
}
