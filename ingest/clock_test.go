package ingest

import (
	"testing"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/report"
)

func TestPlace(t *testing.T) {
	at := func(s string) time.Time {
		if s == "" {
			return time.Time{}
		}
		v, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	const log = "2026-11-25T09:00:00Z"
	for _, c := range []struct {
		name, device, received, header string
		readAt                         string
		good                           bool
	}{
		{"good", "2026-11-25T08:59:00Z", "", "", "2026-11-25T08:59:00Z", true},
		{"old but good", "2000-01-01T00:00:00Z", "", "", "2000-01-01T00:00:00Z", true},
		{"before 2000", "1999-12-31T23:59:59.999999Z", "", "", log, false},
		{"a day ahead to the moment", "2026-11-26T09:00:00Z", "", "", "2026-11-26T09:00:00Z", true},
		{"more than a day ahead", "2026-11-26T09:00:00.000001Z", "", "", log, false},
		{"ahead of a relay", "2026-03-03T07:00:01Z", "2026-03-02T07:00:00Z", "", "2026-03-02T07:00:00Z", false},
		{"not ahead of a relay", "2026-03-03T07:00:00Z", "2026-03-02T07:00:00Z", "", "2026-03-03T07:00:00Z", true},
		{"before 2000, relayed and imported", "1970-01-01T00:00:00Z", "2026-03-02T07:00:00Z", "2026-02-01T00:00:00Z", "2026-03-02T07:00:00Z", false},
		{"before 2000, imported", "1970-01-01T00:00:00Z", "", "2026-02-01T00:00:00Z", "2026-02-01T00:00:00Z", false},
		{"history with a gap", "2026-05-01T00:00:00Z", "", "2026-02-01T00:00:00Z", "2026-05-01T00:00:00Z", true},
		{"future, imported", "2027-05-01T00:00:00Z", "", "2026-02-01T00:00:00Z", "2026-02-01T00:00:00Z", false},
		{"a relay without a clock", "2026-11-25T08:59:00Z", "1970-01-01T00:00:01Z", "", "2026-11-25T08:59:00Z", true},
		{"finer than a microsecond", "2026-11-25T08:59:00.1234569Z", "", "", "2026-11-25T08:59:00.123456Z", true},
	} {
		got := place(&report.Report{Time: at(c.device), Received: at(c.received)}, &broker.Msg{BrokerTime: at(log), Received: at(c.header)})
		if !got.readAt.Equal(at(c.readAt)) || got.good != c.good {
			t.Errorf("%s: %v, %v: want %v, %v", c.name, got.readAt, got.good, c.readAt, c.good)
		}
	}
}
