package ingest

import (
	"context"
	"errors"
	"fmt"

	"marginline/ingest/broker"
	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// A Replayed says what became of one quarantine entry that was replayed.
type Replayed struct {
	Entry  broker.Entry
	Taken  bool   // it has come in as a report and has left the quarantine
	Report string // id of that report
	Why    string // it stays in the quarantine, and why
}

// Replay sends quarantine entries through again, after a fix of the roster, the test catalogue or the
// program, and waits until they are committed. Each is tried first: what would be refused again is left
// where it is. A whole report comes in as it was. A single message comes in as a report of its own, since
// the other messages of its report are stored already: its id is that of the report with the place of the
// message behind it ("r-1042/3"), and with it come the messages that tell the conditions and the identity,
// none of which makes a row twice.
func (c *Consumer) Replay(ctx context.Context, entries []broker.Entry) ([]Replayed, error) {
	done := make([]Replayed, len(entries))
	var out []broker.Outgoing
	for i := range entries {
		e := &entries[i]
		done[i].Entry = *e
		payload, id, err := c.again(ctx, e)
		if err != nil {
			done[i].Why = err.Error()
			continue
		}
		done[i].Taken, done[i].Report = true, id
		out = append(out, broker.Outgoing{Device: e.Device, Payload: payload, Received: e.At, Replay: e.Name()})
	}
	if len(out) == 0 {
		return done, nil
	}
	last, err := c.broker.PublishBatch(ctx, out)
	if err == nil {
		err = c.Committed(ctx, last)
	}
	if err != nil {
		return nil, fmt.Errorf("replay: %w; what has not come in is still in the quarantine", err)
	}
	return done, nil
}

// again gives the report that an entry would come in as.
func (c *Consumer) again(ctx context.Context, e *broker.Entry) (payload []byte, id string, err error) {
	payload = e.Raw
	if e.Message != broker.WholeReport {
		whole, err := c.broker.Report(ctx, e.Stream, e.Seq)
		if errors.Is(err, broker.ErrGone) {
			return nil, "", errors.New("its report has left the log by age: time and conditions are not known any more. The bytes stay here")
		}
		if err != nil {
			return nil, "", err
		}
		r, err := report.Parse(whole)
		if err != nil {
			return nil, "", err
		}
		if payload, err = single(r, e.Message); err != nil {
			return nil, "", err
		}
	}
	m := &broker.Msg{Device: e.Device, Data: payload, Received: e.At, BrokerTime: e.At}
	r, no := parse(new(report.Parser), m)
	if no == nil {
		var t *taken
		t, no = c.survive(new(reader), m, r)
		if no == nil && e.Message != broker.WholeReport && len(t.bad) > 0 {
			return nil, "", fmt.Errorf("still %s: %s", t.bad[0].Reason, t.bad[0].Detail)
		}
	}
	if no != nil {
		return nil, "", fmt.Errorf("still %s: %s", no.reason, no.detail)
	}
	if e.Reason == string(ConflictingContent) {
		return nil, "", fmt.Errorf("report %q is stored with other content; the first one stays", r.ID)
	}
	return payload, r.ID, nil
}

// single makes a report of one message of a report, with the messages that tell conditions and identity.
func single(r *report.Report, message int) ([]byte, error) {
	if message < 0 || message >= len(r.Messages) {
		return nil, fmt.Errorf("its report has %d messages", len(r.Messages))
	}
	if f := r.Messages[message].Fault; f != "" {
		return nil, fmt.Errorf("still no message: %s", f)
	}
	out := *r
	out.ID = fmt.Sprintf("%s/%d", r.ID, message)
	out.Messages = nil
	for i := range r.Messages {
		if m := &r.Messages[i]; i == message || m.Fault == "" && describes(r.Bus, m) {
			out.Messages = append(out.Messages, *m)
		}
	}
	return out.Encode()
}

// describes says whether a message tells only conditions and identity: it makes no row of its own.
func describes(bus series.Bus, m *report.Message) bool {
	rep := obd.Decode(bus, []obd.Message{{From: m.From, PGN: m.PGN, Data: m.Data}}, nil)
	for i := range rep.Items {
		switch rep.Items[i].Kind {
		case obd.KindContext, obd.KindCalibration, obd.KindVIN, obd.KindReadiness, obd.KindCounters:
		default:
			return false
		}
	}
	return len(rep.Items) > 0
}
