package sql

import (
	"context"
	"slices"
	"sync"
)

// A queue lets some in at a time and keeps the others in the order they came.
type queue struct {
	mu      sync.Mutex
	free    int
	waiting []*waiter
}

type waiter struct {
	turn  chan struct{}
	moved chan struct{} // has one value when the place may have changed
}

// enter waits for a turn. told is called with how many are ahead, now and whenever that changes.
func (q *queue) enter(ctx context.Context, told func(ahead int)) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	q.mu.Lock()
	if q.free > 0 {
		q.free--
		q.mu.Unlock()
		return nil
	}
	w := &waiter{make(chan struct{}), make(chan struct{}, 1)}
	q.waiting = append(q.waiting, w)
	q.mu.Unlock()
	last := -1
	for {
		if told != nil {
			q.mu.Lock()
			ahead := slices.Index(q.waiting, w)
			q.mu.Unlock()
			if ahead >= 0 && ahead != last {
				last = ahead
				told(ahead)
			}
		}
		select {
		case <-w.turn:
			return nil
		case <-w.moved:
		case <-ctx.Done():
			q.mu.Lock()
			i := slices.Index(q.waiting, w)
			if i < 0 { // the turn came just now: pass it on
				q.mu.Unlock()
				q.leave()
				return ctx.Err()
			}
			q.waiting = slices.Delete(q.waiting, i, i+1)
			q.move()
			q.mu.Unlock()
			return ctx.Err()
		}
	}
}

// leave gives the turn to the one who waits longest.
func (q *queue) leave() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.waiting) == 0 {
		q.free++
		return
	}
	close(q.waiting[0].turn)
	q.waiting = slices.Delete(q.waiting, 0, 1)
	q.move()
}

func (q *queue) move() {
	for _, w := range q.waiting {
		select {
		case w.moved <- struct{}{}:
		default:
		}
	}
}

// load is how many are in and how many wait.
func (q *queue) load(all int) (in, waiting int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return all - q.free, len(q.waiting)
}
