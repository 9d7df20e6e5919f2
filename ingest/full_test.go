package ingest

import (
	"fmt"
	"testing"
)

// A log whose size is limited takes many times as much as fits, as long as it is committed; while nothing is
// committed it refuses what does not fit, and drops nothing.
func TestFullLog(t *testing.T) {
	h := newHouse(t)
	h.close()
	h.logBytes = 256 << 10
	h.open()
	report := func(i int) string {
		return reportOf(fmt.Sprintf("r%d", i), "dgl-a", vinA, when, result, fmt.Sprintf("55%04000d", i)) // an unknown service: bytes and nothing else
	}
	n := 0
	for ; n < 1000; n++ {
		if _, err := h.broker.Publish(t.Context(), "dgl-a", "", []byte(report(n))); err != nil {
			break
		}
	}
	if n < 30 || n > 130 {
		t.Fatalf("%d reports of 2 kB in 256 KiB", n)
	}
	h.run(nil)
	h.settled()
	for range 5 {
		for range 20 {
			h.publish("dgl-a", report(n))
			n++
		}
		h.settled()
	}
	if got := len(h.stored()); got != n {
		t.Errorf("%d of %d reports", got, n)
	}
	oldest, err := h.broker.Oldest(t.Context())
	if err != nil || oldest == 1 {
		t.Errorf("nothing made room: %v %v", oldest, err)
	}
}
