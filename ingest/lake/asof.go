package lake

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"
)

// pointKeys are the properties of a commit point that name the snapshots of the other tables. The line after
// it does not compile when a table comes that has none here.
var pointKeys = [...]string{readings: keyReadings, codes: keyCodes, drift: keyDrift}

var _ = [1]struct{}{}[tableCount-1-len(pointKeys)]

// ErrNotKept is wrapped where a state of the past is asked for that the lake does not hold any more, or
// never held.
var ErrNotKept = errors.New("the lake does not hold that state")

// A Past names a state of the past: that of a snapshot of any table, else the one in force at a time.
type Past struct {
	Snapshot int64
	At       time.Time
}

// PinPast holds a committed state of the past, as far as the snapshots go that the lake keeps. A state is
// named by its commit point, the snapshot of the table reports; the snapshot of another table stands for
// the newest state that holds it.
func (l *Lake) PinPast(past Past) (*Pinned, error) {
	l.writing.Lock()
	var tables [tableCount]table
	closed := l.closed
	for i, t := range l.tables {
		if t != nil {
			tables[i] = *t // tip is never changed, only replaced
		}
	}
	l.writing.Unlock()
	if closed {
		return nil, ErrClosed
	}
	s, err := stateAt(&tables, past)
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, ErrClosed
	}
	l.refs[s]++
	return &Pinned{l: l, set: s}, nil
}

func stateAt(tables *[tableCount]table, past Past) (*set, error) {
	point := &tables[reports]
	var found, oldest *snapshot
	for id := point.tip.current(); id != 0; {
		s := point.tip.snapshot(id)
		if s == nil {
			break
		}
		if oldest = s; found == nil && past.is(s) {
			found = s
		}
		id = 0
		if s.ParentID != nil {
			id = *s.ParentID
		}
	}
	switch {
	case found != nil:
	case oldest == nil:
		return nil, fmt.Errorf("%w: nothing was committed yet", ErrNotKept)
	default:
		what := "a state of " + past.At.UTC().Format(time.RFC3339)
		if past.Snapshot != 0 {
			what = "snapshot " + itoa(past.Snapshot)
		}
		return nil, fmt.Errorf("%s: %w; the oldest that is kept was committed at %s (snapshot %d)", what, ErrNotKept,
			time.UnixMilli(oldest.TimestampMs).UTC().Format(time.RFC3339), oldest.ID)
	}
	return point.stateOf(tables, found)
}

// is says whether s is the state that is meant, asked from the newest back.
func (p Past) is(s *snapshot) bool {
	if p.Snapshot == 0 {
		return s.TimestampMs <= p.At.UnixMilli()
	}
	id := itoa(p.Snapshot)
	return s.ID == p.Snapshot || slices.ContainsFunc(pointKeys[:], func(key string) bool { return s.Summary[key] == id })
}

// stateOf loads the state that a commit point names.
func (point *table) stateOf(tables *[tableCount]table, s *snapshot) (*set, error) {
	pos, err := positionOf(s.Summary)
	if err != nil {
		return nil, err
	}
	out := &set{pos: pos}
	for i := range tables {
		if i == drift { // it is folded and written after the readings: no state of the past has what follows from its own
			out.heads[i] = &head{}
			continue
		}
		id := s.ID
		if i != reports {
			id = 0
			if v := s.Summary[pointKeys[i]]; v != "" {
				if id, err = strconv.ParseInt(v, 10, 64); err != nil {
					return nil, fmt.Errorf("table %s: snapshot %d: %w", point.name, s.ID, err)
				}
			}
			if id != 0 && tables[i].tip.snapshot(id) == nil {
				return nil, fmt.Errorf("snapshot %d of table %s: %w", id, tables[i].name, ErrNotKept)
			}
		}
		if out.heads[i], err = tables[i].load(id); err != nil {
			return nil, err
		}
	}
	return out, nil
}
