package ingest

import (
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/report"
)

// clockSlack is how far a device clock may be ahead of receipt: a day covers every time zone mistake.
const clockSlack = 24 * time.Hour

// clockStart is the first moment that a device clock can be right: no vehicle that reports is older.
var clockStart = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// clockGood says whether a device time is one to go by, for a report received at the given time.
func clockGood(device, received time.Time) bool {
	return !device.Before(clockStart) && !device.After(received.Add(clockSlack))
}

// A placing says when a report was made, as far as can be told.
type placing struct {
	readAt   time.Time // device time, or where that is not good the time of receipt
	good     bool
	received time.Time
}

// place decides by the receipt: `received` of the report, else the time the log took it.
//
// An imported report was received long before the log took it. Its device time is still held against the
// log's time only, so that history with gaps is not called wrong; but where its clock is not good it takes
// its place behind the newest good time that the import had seen before it, which the importer sends along.
func place(r *report.Report, m *broker.Msg) placing {
	p := placing{received: m.BrokerTime}
	relayed := !r.Received.Before(clockStart) // a relay whose own clock never ran says nothing
	if relayed {
		p.received = r.Received
	}
	p.good = clockGood(r.Time, p.received)
	switch {
	case p.good:
		p.readAt = r.Time
	case !relayed && !m.Received.IsZero():
		p.readAt = m.Received
	default:
		p.readAt = p.received
	}
	p.readAt = p.readAt.UTC().Truncate(time.Microsecond)
	p.received = p.received.UTC().Truncate(time.Microsecond)
	return p
}
