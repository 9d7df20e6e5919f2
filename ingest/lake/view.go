package lake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
)

// A view is the state that was committed in a lake when the view was opened, seen by a process that does not
// own the lake. It changes nothing but its pin.
type view struct {
	l       *Lake
	set     *set
	release func()
	faults  []Problem // what could not be read; only a view for verification has any
}

// openView reads the committed state of a lake and pins it. A snapshot can be dropped between the two; its
// files outlive that by the grace period, and the pin is there a moment later.
func openView(ctx context.Context, dir, holder string) (*view, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	v := &view{l: newLake(dir, slog.New(slog.DiscardHandler))}
	if err := v.read(); err != nil {
		return nil, err
	}
	if v.release, err = v.hold(ctx, holder); err != nil {
		return nil, err
	}
	return v, nil
}

// read opens the tables, the commit point first: what it names is in the others already.
func (v *view) read() error {
	l := v.l
	for i := tableCount - 1; i >= 0; i-- {
		t := l.newTable(i)
		l.tables[i] = t
		if err := t.open(); err != nil {
			return err
		}
		if t.version == 0 && i == drift { // a lake of a release that had none
			t.imagine(l.now())
		}
		if t.tip == nil {
			return fmt.Errorf("there is no table %s: %w", t.name, os.ErrNotExist)
		}
	}
	pos, err := positionOf(l.tables[reports].tip.Properties)
	if err != nil {
		return err
	}
	v.set = &set{pos: pos}
	if v.set.folded, err = foldedOf(l.tables[reports].tip.Properties); err != nil {
		return err
	}
	for i, t := range l.tables {
		id := t.tip.current()
		if i != reports {
			if id, err = namedBy(l.tables[reports], i); err != nil {
				return err
			}
			if !t.descends(id) {
				v.tell(i, "", "snapshot %d does not follow the committed snapshot %d", t.tip.current(), id)
			}
		}
		if v.set.heads[i], err = t.load(id); err != nil {
			v.tell(i, "", "%v", err)
			v.set.heads[i] = &head{snapshot: id}
		}
	}
	return nil
}

func (v *view) tell(i int, file, what string, args ...any) {
	v.faults = append(v.faults, Problem{v.l.specs[i].name, file, fmt.Sprintf(what, args...)})
}

func (v *view) close() { v.release() }

// descends says whether the current snapshot is id or comes after it.
func (t *table) descends(id int64) bool {
	for at := t.tip.current(); at != id; {
		s := t.tip.snapshot(at)
		if s == nil {
			return false
		}
		if s.ParentID == nil {
			return id == 0
		}
		at = *s.ParentID
	}
	return true
}

func readOnly(err error) bool { return errors.Is(err, syscall.EROFS) }
