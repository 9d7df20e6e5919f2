package ingest

import (
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"marginline/ingest/lake"
)

// A tightLake has room when it is told so.
type tightLake struct {
	*lake.Lake
	full  atomic.Bool
	asked chan struct{}
}

func (l *tightLake) Room() error {
	select {
	case l.asked <- struct{}{}:
	default:
	}
	if l.full.Load() {
		return fmt.Errorf("%w: 1 MiB free", lake.ErrNoRoom)
	}
	return nil
}

// On a full disk nothing is committed and nothing acknowledged; with room again, everything is; a stop in
// between loses nothing.
func TestFullDiskHoldsCommits(t *testing.T) {
	h := newHouse(t)
	h.cfg.FlushEvery = 10 * time.Millisecond
	tight := &tightLake{Lake: h.lake, asked: make(chan struct{}, 1)}
	tight.full.Store(true)
	h.run(tight)
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	for range 3 { // it looks again and again, and does not commit
		select {
		case <-tight.asked:
		case <-time.After(20 * time.Second):
			t.Fatal("nobody looks at the disk")
		}
	}
	if err := h.consumer.Held(); !errors.Is(err, lake.ErrNoRoom) {
		t.Errorf("held: %v", err)
	}
	if got := testutil.ToFloat64(h.consumer.metrics.held); got != 1 {
		t.Errorf("the metric says %v", got)
	}
	if n := len(h.stored()); n != 0 || h.lake.Position().Seq != 0 {
		t.Fatalf("%d reports committed on a full disk", n)
	}
	if err := h.halt(); err != nil { // a stop does not wait for room, and is no failure
		t.Fatal(err)
	}
	if n := len(h.stored()); n != 0 {
		t.Fatalf("%d reports committed on a full disk at the stop", n)
	}
	h.reopen()
	tight = &tightLake{Lake: h.lake, asked: make(chan struct{}, 1)}
	tight.full.Store(true)
	h.run(tight)
	<-tight.asked
	tight.full.Store(false)
	h.publish("dgl-a", reportOf("r2", "dgl-a", vinA, when, result))
	h.settled()
	if got := h.stored(); len(got) != 2 {
		t.Errorf("%d reports stored, want both", len(got))
	}
	if err := h.consumer.Held(); err != nil {
		t.Errorf("held: %v", err)
	}
}
