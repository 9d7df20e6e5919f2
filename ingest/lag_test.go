package ingest

import (
	"testing"
	"time"
)

// What waits in the log is told while nothing is committed, and until when it waits.
func TestLag(t *testing.T) {
	h := newHouse(t)
	h.run(nil) // FlushEvery is an hour
	for _, id := range []string{"r1", "r2", "r3"} {
		h.publish("dgl-a", reportOf(id, "dgl-a", vinA, when, result))
	}
	h.publish("dgl-a", "garbage")
	if h.metric("marginline_waiting_reports") != 4 || h.metric("marginline_committed_sequence") != 0 {
		t.Errorf("%v waiting, %v committed", h.metric("marginline_waiting_reports"), h.metric("marginline_committed_sequence"))
	}
	await(t, func() bool { return h.metric("marginline_waiting_oldest_seconds") > 0.01 })
	if got := h.metric("marginline_log_retention_seconds"); got != (30 * 24 * time.Hour).Seconds() {
		t.Errorf("retention %v", got)
	}
	if h.metric("marginline_log_bytes") <= 0 || h.metric("marginline_quarantine_entries") != 0 {
		t.Error("size of the log, or of the quarantine")
	}
	h.settled()
	for name, want := range map[string]float64{"marginline_waiting_reports": 0, "marginline_committed_sequence": 4, "marginline_waiting_oldest_seconds": 0, "marginline_quarantine_entries": 1, "marginline_wrong_clock_reports_total": 0} {
		if got := h.metric(name); got != want {
			t.Errorf("%s %v, want %v", name, got, want)
		}
	}
	h.publish("dgl-a", reportOf("r4", "dgl-a", vinA, "1970-01-01T00:00:09Z", result))
	h.settled()
	if got := h.metric("marginline_wrong_clock_reports_total"); got != 1 {
		t.Errorf("%v wrong clocks", got)
	}
}
