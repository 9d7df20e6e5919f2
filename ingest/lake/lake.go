package lake

import (
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/prometheus/client_golang/prometheus"
)

// Keys in table properties and snapshot summaries.
const (
	keyStream   = "marginline.stream"
	keySeq      = "marginline.stream-seq"
	keyReadings = "marginline.snapshot.readings"
	keyCodes    = "marginline.snapshot.codes"
	keyDrift    = "marginline.snapshot.drift"
	keyKept     = "marginline.kept-from"
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
// may be called from anywhere at any time. Close waits for a change that is being published.
type Lake struct {
	dir     string
	log     *slog.Logger
	mem     memory.Allocator
	metrics *metrics
	specs   [tableCount]*spec
	now     func() time.Time
	full    int64 // fullRows
	big     int64 // sealedRows
	least   int64 // leastRows
	held    int64 // maxHeld
	floor   Floor
	disk    func(dir string) (disk, error)
	fs      files
	step    func(string) error // a test's hook, called after each step of a change

	gate   sync.Mutex // guards buffer and rows; held for moments only
	buffer []entry
	rows   int

	upkeep  sync.Mutex // held by one job of upkeep at a time; taken before writing
	writing sync.Mutex // guards what follows, and is held while a change is staged and published
	tables  [tableCount]*table
	pending *attempt
	laid    [tableCount][]row // of a commit
	fences  fences            // changed under upkeep as well, so that either lock is enough to read them
	broken  error             // no commit any more
	closed  bool              // guarded by mu as well

	mu   sync.Mutex // guards what readers see; set changes under writing as well
	set  *set
	refs map[*set]int

	folds foldIndex
}

// A set is the committed state of all tables together. It is never changed.
type set struct {
	pos    Position
	heads  [tableCount]*head
	folded folded // what the rows of drift were made of
}

// Open creates or opens the lake in a folder: it removes half-written files, reads the newest committed
// state, and takes back what a crash left between two tables. A lake of a newer format is refused.
func Open(dir string, log *slog.Logger, reg prometheus.Registerer) (*Lake, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("open lake: %w", err)
	}
	l := newLake(dir, log)
	if l.metrics, err = newMetrics(reg); err != nil {
		return nil, fmt.Errorf("open lake: %w", err)
	}
	if err := l.open(); err != nil {
		return nil, fmt.Errorf("open lake %s: %w", dir, err)
	}
	return l, nil
}

func newLake(dir string, log *slog.Logger) *Lake {
	l := &Lake{dir: dir, log: log, mem: memory.NewGoAllocator(), now: time.Now, full: fullRows, big: sealedRows, least: leastRows, held: maxHeld, disk: diskOf, refs: map[*set]int{}}
	for i := range specs {
		l.specs[i] = &specs[i]
	}
	return l
}

func (l *Lake) open() error {
	for i := range l.tables {
		t := l.newTable(i)
		l.tables[i] = t
		for _, d := range []string{l.dir, t.dir, t.dataDir(), t.metadataDir()} {
			if err := l.fs.makeDir(d); err != nil {
				return err
			}
		}
		for _, d := range []string{t.dataDir(), t.metadataDir()} {
			n, err := l.fs.sweep(d)
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
		if err := t.evolve(l.now()); err != nil {
			return err
		}
	}
	s, err := committed(l.tables)
	if err != nil {
		return err
	}
	l.set = s
	if l.fences, err = l.tables[reports].tip.fences(); err != nil {
		return fmt.Errorf("table reports: %w", err)
	}
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
	s := l.specs[i]
	return &table{spec: s, dir: filepath.Join(l.dir, s.name), log: l.log, mem: l.mem,
		fs: l.fs, step: l.did}
}

// did tells the test hook that a step is done.
func (l *Lake) did(what string) error {
	if l.step == nil {
		return nil
	}
	return l.step(what)
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
	if s.folded, err = foldedOf(point.tip.Properties); err != nil {
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
	key := pointKeys[i]
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

// Position is the committed position: resume after it. Where the stream is another one, from its start.
func (l *Lake) Position() Position {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.set.pos
}

// Close ends the use of the lake. What is buffered and not committed is dropped: its messages were not
// acknowledged and come again.
func (l *Lake) Close() error {
	l.writing.Lock()
	defer l.writing.Unlock()
	if l.closed {
		return nil
	}
	l.mu.Lock()
	l.closed = true
	l.mu.Unlock()
	l.gate.Lock()
	defer l.gate.Unlock()
	if l.rows > 0 {
		l.log.Info("lake closed with rows that were not committed; their reports come again", "rows", l.rows)
	}
	l.metrics.unregister()
	l.buffer, l.rows = nil, 0
	return nil
}
