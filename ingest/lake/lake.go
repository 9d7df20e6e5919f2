package lake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"marginline/ingest/series"
)

// Keys in table properties and snapshot summaries.
const (
	keyStream   = "marginline.stream"
	keySeq      = "marginline.stream-seq"
	keyReadings = "marginline.snapshot.readings"
	keyCodes    = "marginline.snapshot.codes"
)

// ErrClosed is returned by a Lake that was closed.
var ErrClosed = errors.New("the lake is closed")

// A Position is a place in a stream: everything up to Seq is committed. Stream names the incarnation of
// the stream (name@created): in another one the numbers begin again.
type Position struct {
	Stream string
	Seq    uint64
}

// A Lake is the stored history. Append, Rows, Commit and Close belong to one goroutine; everything else
// may be called from anywhere at any time.
type Lake struct {
	dir     string
	log     *slog.Logger
	mem     memory.Allocator
	metrics *metrics
	now     func() time.Time
	step    func(string) error // a test's hook, called after each step of a commit

	tables  [tableCount]*table
	buffer  []entry
	rows    int
	pending *attempt
	broken  error // no commit any more
	closed  bool

	mu   sync.Mutex // guards what other goroutines see: set, refs and closed
	set  *set
	refs map[*set]int
}

// A set is the committed state of all tables together. It is never changed.
type set struct {
	pos   Position
	heads [tableCount]*head
}

type entry struct {
	p   *series.Poll
	seq uint64
}

// An attempt is a commit whose last step may or may not outlive a power cut.
type attempt struct {
	set  *set
	done int // entries of the buffer that it holds
}

// Open creates or opens the lake in a folder: it removes half-written files, reads the newest committed
// state, and takes back what a crash left between two tables. A lake of a newer format is refused.
func Open(dir string, log *slog.Logger, reg prometheus.Registerer) (*Lake, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("open lake: %w", err)
	}
	l := &Lake{dir: dir, log: log, mem: memory.NewGoAllocator(), now: time.Now, refs: map[*set]int{}}
	if l.metrics, err = newMetrics(reg); err != nil {
		return nil, fmt.Errorf("open lake: %w", err)
	}
	if err := l.open(); err != nil {
		return nil, fmt.Errorf("open lake %s: %w", dir, err)
	}
	return l, nil
}

func (l *Lake) open() error {
	for i := range l.tables {
		t := l.newTable(i)
		l.tables[i] = t
		for _, d := range []string{l.dir, t.dir, t.dataDir(), t.metadataDir()} {
			if err := makeDir(d); err != nil {
				return err
			}
		}
		for _, d := range []string{t.dataDir(), t.metadataDir()} {
			n, err := sweep(d)
			if err != nil {
				return err
			}
			if n > 0 {
				l.log.Info("removed half-written files", "folder", d, "files", n)
			}
		}
		if err := t.open(); err != nil {
			return err
		}
	}
	for _, t := range l.tables {
		if t.version == 0 {
			if err := t.create(l.now()); err != nil {
				return err
			}
		}
	}
	s, err := committed(l.tables)
	if err != nil {
		return err
	}
	l.set = s
	for i, t := range l.tables {
		t.head = s.heads[i]
		if t.tip.current() == t.head.snapshot {
			continue
		}
		// The process ended between two tables. What the commit point does not name is taken back; the
		// reports are still in the stream and come again.
		l.log.Info("taking back an unfinished commit", "table", t.name, "snapshot", t.tip.current())
		m := t.follow(l.now())
		m.point(t.head.snapshot)
		if err := t.publish(m); err != nil {
			return err
		}
	}
	l.metrics.show(s)
	return nil
}

func (l *Lake) newTable(i int) *table {
	s := &specs[i]
	return &table{spec: s, dir: filepath.Join(l.dir, s.name), log: l.log, mem: l.mem,
		step: func(what string) error {
			if l.step == nil {
				return nil
			}
			return l.step(what)
		}}
}

// committed finds the state that the commit point names, and checks that the other tables fit it: each is
// at the named snapshot, or one unfinished commit of ours ahead.
func committed(tables [tableCount]*table) (*set, error) {
	point := tables[reports]
	s := &set{}
	var err error
	if s.pos, err = positionOf(point.tip.Properties); err != nil {
		return nil, fmt.Errorf("table %s: %w", point.name, err)
	}
	for i, t := range tables {
		id := t.tip.current()
		if i != reports {
			if id, err = namedBy(point, i); err != nil {
				return nil, err
			}
			if err := t.fits(id); err != nil {
				return nil, err
			}
		}
		if s.heads[i], err = t.load(id); err != nil {
			return nil, err
		}
	}
	return s, nil
}

func namedBy(point *table, i int) (int64, error) {
	key := [...]string{readings: keyReadings, codes: keyCodes}[i]
	v := point.tip.Properties[key]
	if v == "" {
		return 0, nil
	}
	id, err := strconv.ParseInt(v, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("table %s: property %s: %w", point.name, key, err)
	}
	return id, nil
}

// fits checks that a table is at a snapshot or one unfinished commit of ours after it.
func (t *table) fits(id int64) error {
	now := t.tip.current()
	if now == id {
		return nil
	}
	s, parent := t.tip.snapshot(now), int64(0)
	if s != nil && s.ParentID != nil {
		parent = *s.ParentID
	}
	if s == nil || parent != id || s.Summary[keyStream] == "" {
		return fmt.Errorf("table %s is at snapshot %d, but the reports table names %d as committed: %w, or tables of different lakes were mixed; nothing was changed", t.name, now, id, ErrConflict)
	}
	return nil
}

func positionOf(props map[string]string) (Position, error) {
	p := Position{Stream: props[keyStream]}
	if v := props[keySeq]; v != "" {
		seq, err := strconv.ParseUint(v, 10, 64)
		if err != nil {
			return p, fmt.Errorf("property %s: %w", keySeq, err)
		}
		p.Seq = seq
	}
	return p, nil
}

// Append buffers a poll that was read at seq of the stream. Seq rises from call to call. The Lake keeps
// the poll until it is committed; it must not change any more.
func (l *Lake) Append(p *series.Poll, seq uint64) {
	l.buffer = append(l.buffer, entry{p, seq})
	l.rows += rowsOf(p)
	l.metrics.buffered.Set(float64(l.rows))
}

func rowsOf(p *series.Poll) int { return 1 + len(p.Results) + len(p.Codes) }

// Rows is the number of buffered rows over all tables.
func (l *Lake) Rows() int { return l.rows }

// Position is the committed position: resume after it. Where the stream is another one, from its start.
func (l *Lake) Position() Position {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.set.pos
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
	switch {
	case l.closed:
		return ErrClosed
	case l.broken != nil:
		return l.broken
	}
	if l.pending != nil {
		if err := l.settle(); err != nil {
			return err
		}
	}
	done, _ := slices.BinarySearchFunc(l.buffer, pos.Seq, func(e entry, seq uint64) int {
		if e.seq <= seq {
			return -1
		}
		return 1
	})
	fresh := slices.Clone(l.buffer[:done])
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
	next, written, err := l.write(ctx, fresh, pos)
	switch {
	case err == nil:
		l.adopt(next, done)
		l.metrics.committed(written, time.Since(start))
		return nil
	case errors.Is(err, errUnsynced) && next != nil:
		l.pending = &attempt{next, done}
	case errors.Is(err, ErrConflict):
		l.broken = err
	}
	return err
}

// write stages all tables, then publishes them, the commit point last. It returns the new set as soon as
// the commit point may be published.
func (l *Lake) write(ctx context.Context, fresh []entry, pos Position) (next *set, written [tableCount]int, err error) {
	now := l.now()
	slices.SortFunc(fresh, compare)
	rows := rowsFor(fresh)
	group := uuid.Must(uuid.NewV7()).String()
	props := map[string]string{keyStream: pos.Stream, keySeq: strconv.FormatUint(pos.Seq, 10)}
	next = &set{pos: pos, heads: l.set.heads}
	var stages [tableCount]*stage
	published := 0
	fail := func(err error) (*set, [tableCount]int, error) {
		for i, st := range stages {
			if i >= published && st != nil {
				remove(st.files)
			}
		}
		return nil, written, err
	}
	for i, t := range l.tables {
		written[i] = len(rows[i])
		if len(rows[i]) == 0 {
			continue
		}
		if i == reports {
			name(props, next)
		}
		var err error
		if stages[i], err = t.stage(rows[i], group, props, now); err != nil {
			return fail(err)
		}
		next.heads[i] = stages[i].head
		if err := ctx.Err(); err != nil {
			return fail(err)
		}
	}
	name(props, next)
	for i, t := range l.tables {
		if stages[i] == nil && i != reports {
			continue
		}
		m := t.follow(now)
		for k, v := range props {
			m.Properties[k] = v
		}
		if i != reports {
			delete(m.Properties, keyReadings)
			delete(m.Properties, keyCodes)
		}
		if stages[i] != nil {
			m.add(stages[i].snapshot, t.head.snapshot)
		}
		before := t.version
		if err := t.publish(m); err != nil {
			if t.version > before { // it is there, so its files must stay
				published = i + 1
			}
			if i == reports && t.version > before {
				return next, written, err
			}
			return fail(err)
		}
		published = i + 1
	}
	return next, written, nil
}

// name writes the snapshots of the other tables that belong to the commit point.
func name(props map[string]string, s *set) {
	for i, key := range [...]string{readings: keyReadings, codes: keyCodes} {
		if id := s.heads[i].snapshot; id != 0 {
			props[key] = itoa(id)
		}
	}
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
	l.adopt(a.set, a.done)
	return nil
}

// adopt makes a set the committed one and drops the entries that it holds from the buffer.
func (l *Lake) adopt(s *set, done int) {
	for i, t := range l.tables {
		t.head = s.heads[i]
	}
	l.mu.Lock()
	l.set = s
	l.mu.Unlock()
	l.drop(done)
	l.metrics.show(s)
}

func (l *Lake) drop(done int) {
	for _, e := range l.buffer[:done] {
		l.rows -= rowsOf(e.p)
	}
	l.buffer = slices.Delete(l.buffer, 0, done)
	l.metrics.buffered.Set(float64(l.rows))
}

// compare is the order of reports in every table.
func compare(a, b entry) int {
	return cmp.Or(
		cmp.Compare(a.p.VIN, b.p.VIN),
		cmp.Compare(a.p.Device, b.p.Device),
		a.p.ReadAt.Compare(b.p.ReadAt),
		cmp.Compare(a.p.ReportID, b.p.ReportID),
		cmp.Compare(a.seq, b.seq),
	)
}

// rowsFor lays sorted reports out as rows: in every table the reports stand in the same order.
func rowsFor(entries []entry) (rows [tableCount][]row) {
	var n [tableCount]int
	for _, e := range entries {
		n[readings] += len(e.p.Results)
		n[codes] += len(e.p.Codes)
	}
	rows[readings] = make([]row, 0, n[readings])
	rows[codes] = make([]row, 0, n[codes])
	rows[reports] = make([]row, 0, len(entries))
	for _, e := range entries {
		for i := range e.p.Results {
			rows[readings] = append(rows[readings], row{p: e.p, seq: e.seq, ord: int32(i), r: &e.p.Results[i]})
		}
		for i := range e.p.Codes {
			rows[codes] = append(rows[codes], row{p: e.p, seq: e.seq, ord: int32(i), c: &e.p.Codes[i]})
		}
		rows[reports] = append(rows[reports], row{p: e.p, seq: e.seq, results: count(len(e.p.Results)), codes: count(len(e.p.Codes))})
	}
	return rows
}

// Close ends the use of the lake. What is buffered and not committed is dropped: its messages were not
// acknowledged and come again.
func (l *Lake) Close() error {
	if l.closed {
		return nil
	}
	l.mu.Lock()
	l.closed = true
	l.mu.Unlock()
	if l.rows > 0 {
		l.log.Info("lake closed with rows that were not committed; their reports come again", "rows", l.rows)
	}
	l.metrics.unregister()
	l.buffer, l.rows = nil, 0
	return nil
}
