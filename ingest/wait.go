package ingest

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// ErrEnded is what Committed returns when Run ended before the sequence was committed.
var ErrEnded = errors.New("the consumer has ended")

// A mark is the sequence that is done with, and those who wait for it to rise.
type mark struct {
	mu    sync.Mutex
	seq   uint64
	ended error
	wait  map[chan error]uint64
}

// rise moves the mark to seq, which may be lower than before when the stream is another one.
func (m *mark) rise(seq uint64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.seq = seq
	for ch, want := range m.wait {
		if want <= seq {
			delete(m.wait, ch)
			ch <- nil
		}
	}
}

func (m *mark) end(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.ended = ErrEnded; err != nil {
		m.ended = fmt.Errorf("%w: %w", ErrEnded, err)
	}
	for ch := range m.wait {
		delete(m.wait, ch)
		ch <- m.ended
	}
}

// wanted says whether anybody waits.
func (m *mark) wanted() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.wait) > 0
}

// at is the sequence that is done with.
func (m *mark) at() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.seq
}

func (m *mark) await(ctx context.Context, seq uint64) error {
	m.mu.Lock()
	if m.seq >= seq {
		m.mu.Unlock()
		return nil
	}
	if m.ended != nil {
		defer m.mu.Unlock()
		return m.ended
	}
	ch := make(chan error, 1)
	if m.wait == nil {
		m.wait = map[chan error]uint64{}
	}
	m.wait[ch] = seq
	m.mu.Unlock()
	select {
	case err := <-ch:
		return err
	case <-ctx.Done():
		m.mu.Lock()
		delete(m.wait, ch)
		m.mu.Unlock()
		return ctx.Err()
	}
}

// Committed waits until everything up to a sequence of the report stream is in the lake or in the
// quarantine, durably, and OnCommit has returned for it. While somebody waits, what is there is flushed as
// soon as nothing more is pending. It fails with ErrEnded when Run has ended before.
func (c *Consumer) Committed(ctx context.Context, seq uint64) error {
	if err := c.mark.await(ctx, seq); err != nil {
		return fmt.Errorf("wait for report %d: %w", seq, err)
	}
	return nil
}

// Idle says whether everything that was in the log at the last look is committed.
func (c *Consumer) Idle() bool { return c.idle.Load() }
