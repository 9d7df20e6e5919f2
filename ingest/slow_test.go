package ingest

import (
	"context"
	"fmt"
	"testing"

	"marginline/ingest/lake"
)

// A slowLake commits when it is let.
type slowLake struct {
	*lake.Lake
	begun, let chan struct{}
}

func (l *slowLake) Commit(ctx context.Context, pos lake.Position) error {
	l.begun <- struct{}{}
	<-l.let
	return l.Lake.Commit(ctx, pos)
}

// A disk that takes its time holds up intake and nothing else: dongles go on being acknowledged by the log, no
// more is read than one batch, and when the disk has it all comes in, once.
func TestSlowDisk(t *testing.T) {
	h := newHouse(t)
	h.cfg.FlushRows = 10
	slow := &slowLake{h.lake, make(chan struct{}), make(chan struct{})}
	h.run(slow)
	const n = 60
	publish := func(from, to int) {
		for i := from; i < to; i++ {
			h.publish("dgl-a", reportOf(fmt.Sprintf("r%d", i), "dgl-a", vinA, when, result))
		}
	}
	publish(0, 10)
	<-slow.begun
	publish(10, n) // while the commit hangs
	if got := h.lake.Rows(); got > 2*h.cfg.FlushRows {
		t.Errorf("%d rows are held for a commit of %d", got, h.cfg.FlushRows)
	}
	if got := h.metric("marginline_committed_sequence"); got != 0 {
		t.Errorf("%v committed before the disk had it", got)
	}
	if got := h.metric("marginline_waiting_reports"); got != n {
		t.Errorf("%v waiting", got)
	}
	go func() { // t's context ends before its cleanups wait for the consumer
		for {
			select {
			case slow.let <- struct{}{}:
			case <-slow.begun:
			case <-t.Context().Done():
				return
			}
		}
	}()
	h.settled()
	if got := h.stored(); len(got) != n {
		t.Errorf("%d of %d reports", len(got), n)
	}
	if err := h.halt(); err != nil {
		t.Error(err)
	}
}
