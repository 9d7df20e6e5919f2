package ingest

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"testing"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/lake"
)

// A restart after the publish and before the commit loses and doubles nothing.
func TestRestartBeforeCommit(t *testing.T) {
	h := newHouse(t)
	h.cfg.FlushEvery = time.Millisecond
	broken := &brokenLake{Lake: h.lake, fail: -1, tried: make(chan struct{}, 1)}
	h.run(broken)
	for i := range 20 {
		h.publish("dgl-a", reportOf(fmt.Sprint("r", i), "dgl-a", vinA, when, result, "55"))
	}
	<-broken.tried
	if err := h.halt(); !errors.Is(err, errDisk) {
		t.Fatalf("Run: %v", err)
	}
	if n := len(h.stored()); n != 0 || h.lake.Position().Seq != 0 {
		t.Fatalf("%d reports stored by a lake that can't commit", n)
	}
	if err := h.consumer.Committed(t.Context(), 20); !errors.Is(err, ErrEnded) || !errors.Is(err, errDisk) {
		t.Errorf("who waits is told %v", err)
	}
	h.reopen()
	h.run(nil)
	h.settled()
	if n := len(h.stored()); n != 20 {
		t.Errorf("%d reports, want 20", n)
	}
	if n := len(h.quarantined()); n != 20 {
		t.Errorf("%d quarantine entries, want 20", n)
	}
	if c := h.consumer.Counts(); c.Reports != 20 || c.Duplicates != 0 {
		t.Errorf("%+v", c)
	}
}

// A commit that fails is tried again; meanwhile nothing is acknowledged and nothing told.
func TestCommitRetry(t *testing.T) {
	h := newHouse(t)
	h.cfg.FlushEvery = time.Millisecond
	h.run(&brokenLake{Lake: h.lake, fail: 2})
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	h.settled()
	if len(h.stored()) != 1 || h.metric("marginline_commit_retries_total") != 2 || h.metric("marginline_commit_seconds") != 1 {
		t.Errorf("%d reports, %v retries, %v commits", len(h.stored()), h.metric("marginline_commit_retries_total"), h.metric("marginline_commit_seconds"))
	}
	if h.mu.Lock(); len(h.polls) != 1 {
		t.Errorf("told of %d polls", len(h.polls))
	}
	h.mu.Unlock()
}

// The end of the context flushes, commits and acknowledges what was taken.
func TestShutdown(t *testing.T) {
	h := newHouse(t)
	h.run(nil) // flushes by time once an hour
	for i := range 10 {
		h.publish("dgl-a", reportOf(fmt.Sprint("r", i), "dgl-a", vinA, when, result))
	}
	await(t, func() bool { return h.metric("marginline_lake_buffered_rows") == 20 }) // in readings and in reports
	if n := len(h.stored()); n != 0 || h.consumer.Idle() {
		t.Errorf("%d reports stored before the flush; idle: %v", n, h.consumer.Idle())
	}
	if err := h.halt(); err != nil {
		t.Fatal(err)
	}
	if n := len(h.stored()); n != 10 || h.lake.Position().Seq != 10 {
		t.Errorf("%d reports stored, position %d", n, h.lake.Position().Seq)
	}
	if h.mu.Lock(); len(h.polls) != 10 {
		t.Errorf("told of %d polls", len(h.polls))
	}
	h.mu.Unlock()
}

// A log that was lost and made anew is read from its start: what the lake has is known by its ids, and the
// quarantine keeps entries of both logs that stand at the same sequence.
func TestNewLog(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	h.publish("dgl-a", reportOf("r2", "dgl-a", vinA, when, result, "55"))
	h.settled()
	if err := errors.Join(h.halt(), h.broker.Close(), h.lake.Close(), os.RemoveAll(h.dir+"/broker/jetstream/$G/streams/OBD_REPORTS")); err != nil {
		t.Fatal(err)
	}
	h.open()
	h.run(nil)
	h.publish("dgl-a", reportOf("r2", "dgl-a", vinA, when, result, "55"))
	h.publish("dgl-a", reportOf("r3", "dgl-a", vinA, when, result, "56"))
	h.settled()
	if got := h.stored(); len(got) != 3 {
		t.Errorf("%d reports, want 3", len(got))
	}
	if q := h.quarantined(); len(q) != 2 || q[0].Seq != 2 || q[1].Seq != 2 || q[0].Stream == q[1].Stream {
		t.Errorf("%+v", q)
	}
}

// A log that was put back to an older copy gives out sequences again; the reports under them are new.
func TestOlderLog(t *testing.T) {
	h := newHouse(t)
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	if err := errors.Join(h.broker.Close(), h.lake.Close(), os.CopyFS(h.dir+"/copy", os.DirFS(h.dir+"/broker"))); err != nil {
		t.Fatal(err)
	}
	h.open()
	h.run(nil)
	for turn := range 2 {
		for i := range 3 {
			h.publish("dgl-a", reportOf(fmt.Sprint("new", turn, i), "dgl-a", vinA, when, result, "55"))
		}
		h.settled()
		if err := errors.Join(h.halt(), h.broker.Close(), h.lake.Close(), os.RemoveAll(h.dir+"/broker"), os.CopyFS(h.dir+"/broker", os.DirFS(h.dir+"/copy"))); err != nil {
			t.Fatal(err)
		}
		h.open()
		h.run(nil)
		h.settled()
	}
	h.publish("dgl-a", reportOf("last", "dgl-a", vinA, when, result))
	h.settled()
	if got := h.stored(); len(got) != 1+2*3+1 {
		t.Errorf("%d reports: %q", len(got), slices.Sorted(maps.Keys(got)))
	}
}

func TestResume(t *testing.T) {
	for _, c := range []struct {
		pos   lake.Position
		last  uint64
		want  lake.Position
		moved bool
	}{
		{lake.Position{}, 9, lake.Position{Stream: "S@1"}, false},
		{lake.Position{Stream: "S@0", Seq: 5}, 9, lake.Position{Stream: "S@1"}, false},
		{lake.Position{Stream: "S@1", Seq: 5}, 9, lake.Position{Stream: "S@1", Seq: 5}, false},
		{lake.Position{Stream: "S@1", Seq: 12}, 9, lake.Position{Stream: "S@1~1", Seq: 9}, true},
		{lake.Position{Stream: "S@1~1", Seq: 9}, 9, lake.Position{Stream: "S@1~1", Seq: 9}, false},
		{lake.Position{Stream: "S@1~1", Seq: 12}, 9, lake.Position{Stream: "S@1~2", Seq: 9}, true},
		{lake.Position{Stream: "S@0~1", Seq: 12}, 9, lake.Position{Stream: "S@1"}, false},
	} {
		if got, moved := resume(c.pos, "S@1", c.last); got != c.want || moved != c.moved {
			t.Errorf("%+v: %+v, %v: want %+v, %v", c.pos, got, moved, c.want, c.moved)
		}
	}
}

// Reports that left the log by age do not keep anybody waiting.
func TestReportsGone(t *testing.T) {
	h := newHouse(t)
	for i := range 5 {
		h.publish("dgl-a", reportOf(fmt.Sprint("r", i), "dgl-a", vinA, when, result))
	}
	h.close()
	var err error
	// A log whose age limit is the shortest that the server takes.
	if h.broker, err = broker.Open(t.Context(), broker.Config{Dir: h.dir + "/broker", MaxAge: 100 * time.Millisecond}, h.log); err != nil {
		t.Fatal(err)
	}
	await(t, func() bool {
		oldest, err := h.broker.Oldest(t.Context())
		return err == nil && oldest == 6
	})
	h.broker.Close()
	h.open()
	h.run(nil)
	h.settled()
	h.publish("dgl-a", reportOf("later", "dgl-a", vinA, when, result))
	h.settled()
	if got := h.stored(); len(got) != 1 || got["later"] == nil {
		t.Errorf("%v", got)
	}
}

// Committed gives up with its caller.
func TestCommitted_Cancelled(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := h.consumer.Committed(ctx, 99); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if err := h.halt(); err != nil {
		t.Error(err)
	}
	if err := h.consumer.Committed(t.Context(), 99); !errors.Is(err, ErrEnded) {
		t.Error(err)
	}
}
