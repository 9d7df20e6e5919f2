package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"

	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// A refused report goes to the quarantine as a whole.
type refused struct {
	reason Reason
	detail string
}

// A taken report is a poll for the lake, and what of it goes to the quarantine.
type taken struct {
	poll       *series.Poll
	shelf      *shelf         // that the poll's results stand on
	bad        []broker.Entry // single messages
	read       *obd.Report    // what the messages tell
	index      []int          // place in the report of each message that was decoded
	known      bool           // VIN or device lead to a unit of the roster
	checkDigit bool           // the VIN's check digit fits, or there is no VIN
}

// parse reads the report of a message and checks that it may come under this subject. The report is nil
// where nothing could be read, and valid until the parser is used again.
func parse(p *report.Parser, m *broker.Msg) (*report.Report, *refused) {
	r, err := p.Parse(m.Data)
	if err != nil {
		return r, &refused{reasonOf(err), err.Error()}
	}
	if r.Device != m.Device {
		return r, &refused{DeviceMismatch, fmt.Sprintf("device %q published under the subject of %q", r.Device, m.Device)}
	}
	return r, nil
}

// build turns a report into a poll: it decodes the messages, finds the vehicle, and places it in time. What it read
// (taken.read) holds until the reader is used again; the poll is its own.
func build(with *reader, m *broker.Msg, r *report.Report, roster *fleet.Roster, cat *obd.Catalogue) (*taken, *refused) {
	t := &taken{}
	msgs := slices.Grow(with.msgs[:0], len(r.Messages))
	place := place(r, m)
	index := slices.Grow(with.index[:0], len(r.Messages)) // place in the report of each message in msgs
	for i := range r.Messages {
		in := &r.Messages[i]
		if in.Fault != "" {
			reason := Undecodable
			if in.Broken {
				reason = NotReassembled
			}
			t.reject(m, r, i, reason, in.Fault, in.Raw)
			continue
		}
		msgs = append(msgs, obd.Message{From: in.From, PGN: in.PGN, Data: in.Data})
		index = append(index, i)
	}
	with.msgs, with.index = msgs, index
	// The test catalogue may speak of an engine family, which the unit has, and who the unit is may be in the
	// messages. Nearly always report and roster know it without them.
	family := ""
	if u, err := roster.Resolve(r.VIN, r.Device); err == nil && u != nil {
		family = u.EngineFamily
	}
	d := with.decoder.Decode(r.Bus, msgs, cat.For(family))
	vin, no := vinOf(r, d)
	if no != nil {
		return nil, no
	}
	unit, err := roster.Resolve(vin, r.Device)
	if errors.Is(err, fleet.ErrDisagree) {
		return nil, &refused{UnitMismatch, err.Error()}
	}
	if unit != nil && unit.EngineFamily != family && cat != nil {
		d = with.decoder.Decode(r.Bus, msgs, cat.For(unit.EngineFamily))
	}
	t.read, t.index = d, index
	t.known = unit != nil
	_, fits := obd.CheckDigit(vin)
	t.checkDigit = vin == "" || fits
	last := -1
	for _, it := range d.Errors() {
		if it.Message == last { // one entry a message
			continue
		}
		last = it.Message
		t.reject(m, r, index[it.Message], reasonOf(it.Err), it.Err.Error(), bytes.Clone(msgs[it.Message].Data))
	}
	context := d.Context
	if !math.IsNaN(r.OdometerKm) {
		context.OdometerKm = r.OdometerKm
	}
	if !math.IsNaN(r.EngineHours) {
		context.EngineHours = r.EngineHours
	}
	results, shelf := with.keep(d)
	t.shelf = shelf
	t.poll = &series.Poll{
		ReportID: r.ID, Device: r.Device, VIN: vin, Bus: r.Bus,
		ReadAt: place.readAt, ClockOK: place.good, Received: place.received,
		Messages: len(r.Messages), Rejected: len(t.bad),
		Context: context, Results: results, Codes: d.Codes(), CVNs: d.CVNs,
	}
	return t, nil
}

func (t *taken) reject(m *broker.Msg, r *report.Report, message int, reason Reason, detail string, raw []byte) {
	t.bad = append(t.bad, broker.Entry{
		Seq: m.Seq, Message: message, Device: m.Device, ReportID: r.ID,
		Reason: string(reason), Detail: detail, At: m.BrokerTime, Raw: raw,
	})
}

// vinOf gives the VIN of the report's field, else the first one that the vehicle itself told. A vehicle
// that tells another VIN than the field is another vehicle.
func vinOf(r *report.Report, d *obd.Report) (string, *refused) {
	if r.VIN == "" {
		if len(d.VINs) > 0 {
			return d.VINs[0], nil
		}
		return "", nil
	}
	for _, read := range d.VINs {
		if read != r.VIN {
			return "", &refused{VINMismatch, fmt.Sprintf("the report says %s, the vehicle says %s", r.VIN, read)}
		}
	}
	return r.VIN, nil
}
