package ingest

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"marginline/ingest/broker"
	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// A Review says of one report, before it is published, what the Consumer would make of it: whether it would
// be taken, what it lacks, and which of its tests cannot be protected and why. It is advice for whoever
// programs a dongle; only Refused is a fault.
type Review struct {
	Line     int       `json:"line,omitempty"` // of the file it came from, from 1; 0 when the file is one report
	Form     string    `json:"form"`           // json or protobuf
	Refused  string    `json:"refused"`        // why it would go to the quarantine as a whole; "" when it would not
	ID       string    `json:"id"`
	Device   string    `json:"device"`
	VIN      string    `json:"vin"`
	Bus      string    `json:"bus"`
	Time     string    `json:"time"` // RFC 3339; "" when there is none
	Messages int       `json:"messages"`
	Rejected int       `json:"rejected"` // of these, how many would go to the quarantine
	Tests    int       `json:"tests"`    // test results
	Followed int       `json:"followed"` // of these, how many have a real limit and pass: what a trend can protect
	Findings []Finding `json:"findings"` // in the order of the topics, then of the report
	Omitted  int       `json:"omitted"`  // findings beyond maxFindings, which only a report made of noise has
}

// maxFindings bounds what a review holds: one test, one line is far below it for any vehicle.
const maxFindings = 1000

// A Topic says what a Finding is about.
type Topic string

// The topics, in the order of findings.
const (
	TopicMessage    Topic = "message"    // a message that would go to the quarantine, or a refusal by the vehicle
	TopicVehicle    Topic = "vehicle"    // which vehicle, which control unit, which time
	TopicFreshness  Topic = "freshness"  // what tells a new result from a held one
	TopicConditions Topic = "conditions" // what explains a result away: cold, an empty tank, a clear just before
	TopicTest       Topic = "test"       // a test that cannot be protected, or not well
)

var topics = []Topic{TopicMessage, TopicVehicle, TopicFreshness, TopicConditions, TopicTest}

// A Finding is one thing that a report lacks, or that a reader of its results should know.
type Finding struct {
	Topic   Topic  `json:"topic"`
	Message int    `json:"message,omitempty"` // place in the report, from 1; 0 when no single message is meant
	ECU     string `json:"ecu"`
	Test    string `json:"test"`
	Name    string `json:"name"` // of the test, in words
	Says    string `json:"says"`
}

// A Reviewer examines report after report and remembers their ids, as the Consumer does. The zero value is
// ready; it is for one goroutine at a time.
type Reviewer struct {
	Catalogue *obd.Catalogue
	Now       time.Time // stands for the time of receipt

	seen map[string]uint64 // digest by id
}

// Examine reviews one report in either form by itself. now stands for the time of receipt.
func Examine(payload []byte, cat *obd.Catalogue, now time.Time) *Review {
	return (&Reviewer{Catalogue: cat, Now: now}).Examine(payload)
}

// Examine reviews the next report in either form.
func (w *Reviewer) Examine(payload []byte) *Review {
	v := &Review{Form: "protobuf", Findings: []Finding{}}
	if bytes.HasPrefix(bytes.TrimLeft(payload, " \t\r\n"), []byte("{")) {
		v.Form = "json"
	}
	r, err := report.Parse(payload)
	if r != nil {
		v.ID, v.Device, v.VIN, v.Bus, v.Messages = r.ID, r.Device, r.VIN, r.Bus.String(), len(r.Messages)
		if !r.Time.IsZero() {
			v.Time = r.Time.Format(time.RFC3339Nano)
		}
	}
	if err != nil {
		v.Refused = fmt.Sprintf("%s: %v", reasonOf(err), err)
		return v
	}
	digest := r.Digest()
	had, again := w.seen[r.ID]
	if again && had != digest {
		v.Refused = fmt.Sprintf("%s: report %q came before with other content; the first one stays", ConflictingContent, r.ID)
		return v
	}
	t, no := build(new(reader), &broker.Msg{Device: r.Device, BrokerTime: w.Now, Data: payload}, r, nil, w.Catalogue)
	if no != nil {
		v.Refused = fmt.Sprintf("%s: %s", no.reason, no.detail)
		return v
	}
	if w.seen == nil {
		w.seen = map[string]uint64{}
	}
	w.seen[r.ID] = digest
	v.VIN, v.Rejected, v.Tests = t.poll.VIN, len(t.bad), len(t.poll.Results)
	x := &examiner{Review: v, report: r, taken: t}
	if again {
		x.find(TopicMessage, "the same report came before: harmless, and counted once.")
	}
	x.listen()
	x.messages()
	x.vehicle()
	x.freshness()
	x.conditions()
	x.tests()
	slices.SortStableFunc(v.Findings, func(a, b Finding) int {
		return cmp.Compare(slices.Index(topics, a.Topic), slices.Index(topics, b.Topic))
	})
	return v
}

// An examiner collects what there is to say of one report.
type examiner struct {
	*Review
	report  *report.Report
	taken   *taken
	how     *how // for what concerns the vehicle as a whole
	senders []sender
	spare   Finding // takes those beyond maxFindings
}

// A sender is a control unit with test results.
type sender struct {
	ecu, node   string
	calibration bool
	how         *how
}

// listen finds who sent test results, in the order of the report, and which words of advice fit them.
func (x *examiner) listen() {
	x.how = howOf(x.report.Bus)
	known := map[string]bool{}
	for i := range x.taken.poll.Results {
		r := &x.taken.poll.Results[i]
		if known[r.ECU] {
			continue
		}
		known[r.ECU] = true
		s := sender{ecu: r.ECU, node: node(r.ECU, r.SPN != series.None), calibration: r.CalID != "", how: howOf(x.report.Bus)}
		if r.SPN != series.None {
			s.how = howOf(series.J1939)
		} else if x.report.Bus == series.J1939 { // ISO 15765-4 on the same wire
			s.how = howOf(series.CAN)
		}
		x.senders = append(x.senders, s)
	}
	if len(x.senders) > 0 {
		x.how = x.senders[0].how
	}
}

// node is what the messages of one control unit have in common: on J1939 the last byte of a 29-bit id. The
// ids of ISO 15765-4 (xxDAF1nn) name one control unit as a whole, on that wire too.
func node(ecu string, j1939 bool) string {
	if j1939 && len(ecu) == 8 && ecu[2:4] != "da" && ecu[2:4] != "db" {
		return ecu[6:]
	}
	return ecu
}

// nodeOf is the control unit that an item came from.
func (x *examiner) nodeOf(it *obd.Item) string {
	pgn := x.report.Messages[x.taken.index[it.Message]].PGN
	return node(it.ECU, pgn != series.None || x.report.Bus == series.J1939)
}

func (x *examiner) find(topic Topic, format string, args ...any) *Finding {
	if len(x.Findings) == maxFindings {
		x.Omitted++
		return &x.spare
	}
	x.Findings = append(x.Findings, Finding{Topic: topic, Says: fmt.Sprintf(format, args...)})
	return &x.Findings[len(x.Findings)-1]
}

// messages tells of messages that would be refused, and of questions that the vehicle refused.
func (x *examiner) messages() {
	for _, e := range x.taken.bad {
		x.find(TopicMessage, "would go to the quarantine (%s): %s. The other messages stay.", e.Reason, e.Detail).Message = e.Message + 1
	}
	for i := range x.taken.read.Items {
		it := &x.taken.read.Items[i]
		if it.Kind != obd.KindNegative {
			continue
		}
		advice := ""
		switch it.Values.Get("reason") {
		case "busy":
			advice = " Ask again in the same poll."
		case "pending":
			advice = " Wait for the answer that follows; this one says nothing."
		case "conditions":
			advice = " Ask again in the other state: at key-on before the engine starts, or with the engine running."
		case "no_support":
			advice = " Do not ask this control unit again until its calibration changes."
		case "accepted":
			continue
		}
		f := x.find(TopicMessage, "%s.%s", strings.TrimSuffix(it.Explain(), "."), advice)
		f.Message, f.ECU = x.taken.index[it.Message]+1, it.ECU
	}
	if len(x.report.Messages) == 0 {
		x.find(TopicMessage, "there is no message: the report only shows that the dongle lives.")
	}
}

// vehicle tells whether the report names its vehicle, its control units, and its time.
func (x *examiner) vehicle() {
	p := x.taken.poll
	switch want, fits := obd.CheckDigit(p.VIN); {
	case p.VIN == "":
		x.find(TopicVehicle, "no VIN: neither the field nor a message names the vehicle, so the roster has to know where this dongle is. Moved to another vehicle it would mix two histories. Read %s once a session.", x.how.vin)
	case want == 0:
		x.find(TopicVehicle, "%q is no VIN: 17 letters and digits without I, O and Q.", p.VIN)
	case !fits:
		x.find(TopicVehicle, "the check digit of the VIN %s should be %c; it is mandatory in North America only.", p.VIN, want)
	}
	if !p.ClockOK {
		x.find(TopicVehicle, "the time %s is before 2000 or more than %d hours after receipt (%s): the results would be stored and never counted.", x.Time, int(clockSlack.Hours()), p.Received.Format(time.RFC3339))
	}
	for i := range x.taken.read.Items {
		if it := &x.taken.read.Items[i]; it.ECU == "" && it.Kind == obd.KindResult {
			x.find(TopicVehicle, "no sender (from): results of two control units would be taken for one.").Message = x.taken.index[it.Message] + 1
			break
		}
	}
	for _, s := range x.senders {
		if !s.calibration {
			x.find(TopicVehicle, "no calibration id: new software with new limits could look like drift. Read %s at least once a trip; the last one is carried forward.", s.how.calibration).ECU = s.ecu
		}
	}
}
