package dashboards

import (
	"context"
	"fmt"
	"sync"
	"time"

	"marginline/analyze"
	"marginline/ingest/series"
)

// traces keeps refolded units: refolding reads a unit's whole history, and pages of one unit are opened in
// a row. An entry is good until the unit's next report, or until Changed names the unit.
type traces struct {
	source Series
	most   int

	mu      sync.Mutex
	entries map[string]*traceEntry
	clock   uint64
}

type traceEntry struct {
	poll time.Time
	used uint64
	done chan struct{} // closed when byKey and err are set
	by   map[series.Key]*analyze.Trace
	err  error
}

func newTraces(source Series, most int) *traces {
	return &traces{source: source, most: most, entries: map[string]*traceEntry{}}
}

// unit returns the traces of a unit. Callers that ask for one unit at the same time share one refold, done
// by the first of them; it goes on when that one's reader leaves, for at most a minute.
func (t *traces) unit(ctx context.Context, unit string) (map[series.Key]*analyze.Trace, error) {
	poll := t.source.LastPoll(unit)
	t.mu.Lock()
	t.clock++
	e := t.entries[unit]
	mine := e == nil || !e.poll.Equal(poll)
	if mine {
		e = &traceEntry{poll: poll, done: make(chan struct{})}
		t.entries[unit] = e
		t.evict(unit)
	}
	e.used = t.clock
	t.mu.Unlock()
	if mine {
		t.fold(context.WithoutCancel(ctx), unit, e)
		return e.by, e.err
	}
	select {
	case <-e.done:
		return e.by, e.err
	case <-ctx.Done():
		return nil, fmt.Errorf("course of unit %s: %w", unit, ctx.Err())
	}
}

func (t *traces) fold(ctx context.Context, unit string, e *traceEntry) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	defer close(e.done)
	e.by, e.err = t.source.Traces(ctx, unit)
	if e.err != nil {
		e.err = fmt.Errorf("course of unit %s: %w", unit, e.err)
		t.mu.Lock()
		if t.entries[unit] == e {
			delete(t.entries, unit) // the next request tries again
		}
		t.mu.Unlock()
	}
}

// kept says whether the traces of a unit can be had without a refold.
func (t *traces) kept(unit string) bool {
	poll := t.source.LastPoll(unit)
	t.mu.Lock()
	defer t.mu.Unlock()
	e := t.entries[unit]
	return e != nil && e.poll.Equal(poll)
}

// forget drops what is kept of the units, of all when there are none.
func (t *traces) forget(units []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(units) == 0 {
		clear(t.entries)
	}
	for _, u := range units {
		delete(t.entries, u)
	}
}

// evict drops the entry that was not used for longest when there are too many.
func (t *traces) evict(keep string) {
	if len(t.entries) <= t.most {
		return
	}
	oldest, least := "", t.clock+1
	for unit, e := range t.entries {
		if unit != keep && e.used < least {
			oldest, least = unit, e.used
		}
	}
	delete(t.entries, oldest)
}
