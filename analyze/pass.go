package analyze

import (
	"container/heap"
	"context"
	"errors"
	"fmt"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// refold folds units from the history up to a time (zero: all of it) and hands each state over, from many
// goroutines at once.
//
// A few units are read whole, sorted and folded. Many are folded in one pass over the history while it is
// read, because a history lies mostly in the order of time: each unit holds a few polls back to put a
// day's disorder right. A unit that a later poll catches out is read again with the few.
func (r *Runner) refold(ctx context.Context, units []*fleet.Unit, until time.Time, done func(*Vehicle)) error {
	if len(units) > chunk {
		late, err := r.pass(ctx, units, until, done)
		if err != nil {
			return err
		}
		units = late
	}
	return r.replay(ctx, units, until, func(u *fleet.Unit, polls []*series.Poll) error {
		v, err := r.foldAll(u, polls, nil)
		if err == nil {
			done(v)
		}
		return err
	})
}

const (
	heldBack = 8192 // polls held back in a pass, all units together
	heldMost = 64   // and of one unit
	batch    = 128  // polls handed from the reader to a lane at once
)

// A course is one unit in a pass.
type course struct {
	unit  *fleet.Unit
	v     *Vehicle
	wait  waiting
	late  bool // a poll came after one that is newer was folded
	depth int  // polls held back
}

// waiting is a heap of polls, the oldest first.
type waiting []*series.Poll

func (w waiting) Len() int           { return len(w) }
func (w waiting) Less(i, j int) bool { return w[i].Before(w[j]) }
func (w waiting) Swap(i, j int)      { w[i], w[j] = w[j], w[i] }
func (w *waiting) Push(p any)        { *w = append(*w, p.(*series.Poll)) }
func (w *waiting) Pop() any {
	last := len(*w) - 1
	p := (*w)[last]
	(*w)[last] = nil
	*w = (*w)[:last]
	return p
}

// take holds a poll back and folds the oldest when too many wait.
func (c *course) take(p *series.Poll) error {
	if c.late {
		return nil
	}
	heap.Push(&c.wait, p)
	if len(c.wait) <= c.depth {
		return nil
	}
	return c.next()
}

func (c *course) next() error {
	err := c.v.Apply(heap.Pop(&c.wait).(*series.Poll))
	if errors.Is(err, ErrOrder) {
		c.late, c.wait, c.v = true, nil, nil
		return nil
	}
	return err
}

func (c *course) finish() error {
	for len(c.wait) > 0 {
		if err := c.next(); err != nil {
			return err
		}
	}
	return nil
}

type arrival struct {
	course *course
	poll   *series.Poll
}

// pass folds units while the history is read once and returns those that came in too great a disorder.
func (r *Runner) pass(ctx context.Context, units []*fleet.Unit, until time.Time, done func(*Vehicle)) (late []*fleet.Unit, err error) {
	roster := r.roster()
	courses := make([]*course, len(units))
	byUnit := make(map[string]int, len(units))
	for i, u := range units {
		depth := max(4, min(heldMost, heldBack/len(units)))
		courses[i] = &course{unit: u, v: r.vehicle(u), depth: depth}
		byUnit[u.Unit] = i
	}
	lanes := make([]chan []arrival, runtime.GOMAXPROCS(0))
	reading, ctx := errgroup.WithContext(ctx)
	for i := range lanes {
		lane := make(chan []arrival, 4)
		lanes[i] = lane
		reading.Go(func() error {
			for list := range lane {
				for _, a := range list {
					if err := a.course.take(a.poll); err != nil {
						return err
					}
				}
			}
			return nil
		})
	}
	reading.Go(func() error {
		defer func() {
			for _, lane := range lanes {
				close(lane)
			}
		}()
		full := make([][]arrival, len(lanes))
		send := func(i int) error {
			select {
			case lanes[i] <- full[i]:
				full[i] = make([]arrival, 0, batch)
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		vins, devices := vehicles(units)
		for p, err := range r.history.Polls(ctx, vins, devices, until) {
			if err != nil {
				return fmt.Errorf("read history: %w", err)
			}
			u := unitOf(roster, p)
			if u == nil || !wanted(p, until) {
				continue
			}
			k, ok := byUnit[u.Unit]
			if !ok {
				continue
			}
			i := k % len(lanes)
			if full[i] = append(full[i], arrival{courses[k], p}); len(full[i]) == batch {
				if err := send(i); err != nil {
					return err
				}
			}
		}
		for i := range lanes {
			if err := send(i); err != nil {
				return err
			}
		}
		return nil
	})
	if err := reading.Wait(); err != nil {
		return nil, err
	}
	var finishing errgroup.Group
	finishing.SetLimit(len(lanes))
	for _, c := range courses {
		finishing.Go(func() error {
			err := c.finish()
			if err == nil && !c.late {
				done(c.v)
			}
			return err
		})
	}
	if err := finishing.Wait(); err != nil {
		return nil, err
	}
	for _, c := range courses {
		if c.late {
			late = append(late, c.unit)
		}
	}
	if len(late) > 0 {
		r.log.Debug("history out of order: units are read again", "units", len(late), "of", len(units))
	}
	return late, nil
}

// wanted says whether a poll is folded at all.
func wanted(p *series.Poll, until time.Time) bool {
	return p.ClockOK && (until.IsZero() || !p.ReadAt.After(until))
}

// vehicles are the VINs and dongles of units.
func vehicles(units []*fleet.Unit) (vins, devices []string) {
	for _, u := range units {
		if u.VIN != "" {
			vins = append(vins, u.VIN)
		}
		if u.Device != "" {
			devices = append(devices, u.Device)
		}
	}
	return vins, devices
}
