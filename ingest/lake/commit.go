package lake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"marginline/ingest/series"
)

type entry struct {
	p   *series.Poll
	seq uint64
}

// An attempt is a commit whose last step may or may not outlive a power cut.
type attempt struct {
	set     *set
	upkeep  bool            // not a Commit's
	folded  *folded         // what drift is made of from now on; nil: as before
	done    int             // entries of the buffer that it holds
	written [tableCount]int // rows
	start   time.Time
}

// Append buffers a poll that was read at seq of the stream. Seq rises from call to call. The Lake keeps
// the poll until it is committed; it must not change any more. A Commit of what came before may run meanwhile.
func (l *Lake) Append(p *series.Poll, seq uint64) {
	l.gate.Lock()
	defer l.gate.Unlock()
	l.buffer = append(l.buffer, entry{p, seq})
	l.rows += rowsOf(p)
	l.metrics.buffered.Set(float64(l.rows))
}

func rowsOf(p *series.Poll) int { return 1 + len(p.Results) + len(p.Codes) }

// Rows is the number of buffered rows over all tables.
func (l *Lake) Rows() int {
	l.gate.Lock()
	defer l.gate.Unlock()
	return l.rows
}

// Commit makes everything buffered up to pos durable and visible, in all tables together, and moves the
// committed position to pos. When it returns nil the messages up to pos can be acknowledged. On error
// the buffer is as before and Commit can be called again, with the same position or a later one.
//
// A commit without new rows that moves the position writes a version of the reports table that carries
// the new position and no new snapshot; one that moves nothing writes nothing. Polls that the committed
// position of the same stream covers already are dropped.
func (l *Lake) Commit(ctx context.Context, pos Position) (err error) {
	start := time.Now()
	defer func() {
		if err != nil {
			l.metrics.failures.Inc()
			err = fmt.Errorf("commit to lake: %w", err)
		}
	}()
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return err
	}
	if l.pending != nil {
		if err := l.settle(); err != nil {
			return err
		}
	}
	fresh := l.upTo(pos.Seq)
	done := len(fresh)
	if pos.Stream == l.set.pos.Stream {
		fresh = slices.DeleteFunc(fresh, func(e entry) bool { return e.seq <= l.set.pos.Seq })
		pos.Seq = max(pos.Seq, l.set.pos.Seq)
	}
	if len(fresh) == 0 && pos == l.set.pos {
		l.drop(done)
		return nil
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	now := l.now()
	slices.SortFunc(fresh, compare)
	rows := &l.laid
	rowsFor(fresh, rows)
	defer func() {
		for i := range rows {
			clear(rows[i]) // they hold polls
		}
	}()
	group := newGroup()
	a := &attempt{done: done, start: start}
	for i := range rows {
		a.written[i] = len(rows[i])
	}
	return l.change(ctx, pos, now, a, func(i int, props map[string]string) (*stage, error) {
		if len(rows[i]) == 0 {
			return nil, nil
		}
		return l.tables[i].stage(rows[i], group, props, now)
	})
}

// upTo gives a copy of what is buffered up to a sequence.
func (l *Lake) upTo(seq uint64) []entry {
	l.gate.Lock()
	defer l.gate.Unlock()
	n, _ := slices.BinarySearchFunc(l.buffer, seq, func(e entry, seq uint64) int {
		if e.seq <= seq {
			return -1
		}
		return 1
	})
	return slices.Clone(l.buffer[:n])
}

// usable says whether anything can be committed. The caller holds writing.
func (l *Lake) usable() error {
	if l.closed {
		return ErrClosed
	}
	return l.broken
}

// change makes one change to all tables: it stages them, publishes them, the commit point last, and adopts
// the new state. stage gives the part of a table, nil where there is none. The caller holds writing.
func (l *Lake) change(ctx context.Context, pos Position, now time.Time, a *attempt, stage func(i int, props map[string]string) (*stage, error)) error {
	next, err := l.write(ctx, pos, now, a.folded, stage)
	a.set = next
	switch {
	case err == nil:
		l.settled(a)
		return nil
	case errors.Is(err, errUnsynced) && next != nil:
		l.pending = a
	case errors.Is(err, ErrConflict):
		l.broken = err
	}
	return err
}

// write returns the new set as soon as the commit point may be published.
func (l *Lake) write(ctx context.Context, pos Position, now time.Time, made *folded, stageOf func(int, map[string]string) (*stage, error)) (*set, error) {
	props := map[string]string{keyStream: pos.Stream, keySeq: strconv.FormatUint(pos.Seq, 10)}
	next := &set{pos: pos, heads: l.set.heads, folded: l.set.folded}
	if made != nil {
		next.folded = *made
	}
	var stages [tableCount]*stage
	published := 0
	fail := func(err error) (*set, error) {
		for i, st := range stages {
			if i >= published && st != nil && !errors.Is(err, errUnknown) {
				l.fs.remove(st.files...)
			}
		}
		return nil, err
	}
	for i := range l.tables {
		if i == reports {
			name(props, next)
		}
		var err error
		if stages[i], err = stageOf(i, props); err != nil {
			return fail(err)
		}
		if stages[i] != nil {
			next.heads[i] = stages[i].head
		}
		if err := ctx.Err(); err != nil {
			return fail(err)
		}
	}
	for i, t := range l.tables {
		if stages[i] == nil && i != reports {
			continue
		}
		m := t.follow(now)
		maps.Copy(m.Properties, props)
		if i != reports {
			maps.DeleteFunc(m.Properties, func(k, _ string) bool { return ofPoint(k) })
		} else {
			m.fence(l.fences)
		}
		if stages[i] != nil {
			m.add(stages[i].snapshot, t.head.snapshot)
			m.keep(stages[i].head.kept)
		}
		before := t.version
		if err := t.publish(m); err != nil {
			if t.version > before { // it is there, so its files must stay
				published = i + 1
			}
			if i == reports && t.version > before {
				return next, err
			}
			return fail(err)
		}
		published = i + 1
	}
	return next, nil
}

// name writes the snapshots of the other tables that belong to the commit point.
func name(props map[string]string, s *set) {
	for i, key := range pointKeys {
		if id := s.heads[i].snapshot; id != 0 {
			props[key] = itoa(id)
		}
	}
	s.folded.tell(props)
}

// settle ends an attempt whose commit point was published but not synced: it publishes the same state
// once more, with a name and a sync of its own.
func (l *Lake) settle() error {
	t := l.tables[reports]
	if err := t.publish(t.follow(l.now())); err != nil {
		if errors.Is(err, ErrConflict) {
			l.broken = err
		}
		return err
	}
	a := l.pending
	l.pending = nil
	l.settled(a)
	return nil
}

// settled makes the state of an attempt the committed one and drops the entries that it holds from the
// buffer.
func (l *Lake) settled(a *attempt) {
	for i, t := range l.tables {
		t.head = a.set.heads[i]
	}
	l.mu.Lock()
	l.set = a.set
	l.mu.Unlock()
	l.metrics.show(a.set)
	if a.upkeep {
		return
	}
	l.drop(a.done)
	l.metrics.committed(a.written, time.Since(a.start))
}

func (l *Lake) drop(done int) {
	l.gate.Lock()
	defer l.gate.Unlock()
	for _, e := range l.buffer[:done] {
		l.rows -= rowsOf(e.p)
	}
	l.buffer = slices.Delete(l.buffer, 0, done)
	l.metrics.buffered.Set(float64(l.rows))
}

// compare is the order of reports in every table. What comes later is looked at only where all before is equal.
func compare(a, b entry) int {
	if c := strings.Compare(a.p.VIN, b.p.VIN); c != 0 {
		return c
	}
	if c := strings.Compare(a.p.Device, b.p.Device); c != 0 {
		return c
	}
	if c := a.p.ReadAt.Compare(b.p.ReadAt); c != 0 {
		return c
	}
	return cmp.Or(strings.Compare(a.p.ReportID, b.p.ReportID), cmp.Compare(a.seq, b.seq))
}

// rowsFor lays sorted reports out as rows: in every table the reports stand in the same order. It uses the memory of
// rows again.
func rowsFor(entries []entry, rows *[tableCount][]row) {
	var n [tableCount]int
	for _, e := range entries {
		n[readings] += len(e.p.Results)
		n[codes] += len(e.p.Codes)
	}
	n[reports] = len(entries)
	for i := range rows {
		rows[i] = slices.Grow(rows[i][:0], n[i])[:n[i]]
	}
	clear(n[:])
	for k, e := range entries {
		out := rows[readings][n[readings]:][:len(e.p.Results)]
		for i := range out {
			out[i] = row{p: e.p, seq: e.seq, ord: int32(i), r: &e.p.Results[i]}
		}
		n[readings] += len(out)
		out = rows[codes][n[codes]:][:len(e.p.Codes)]
		for i := range out {
			out[i] = row{p: e.p, seq: e.seq, ord: int32(i), c: &e.p.Codes[i]}
		}
		n[codes] += len(out)
		rows[reports][k] = row{p: e.p, seq: e.seq, results: count(len(e.p.Results)), codes: count(len(e.p.Codes))}
	}
}
