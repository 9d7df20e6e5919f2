package ingest

import (
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
	Findings []Finding `json:"findings"` // in the order of Topics, then of the report
}

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

// Examine reviews one report in either form. now stands for the time of receipt.
func Examine(payload []byte, cat *obd.Catalogue, now time.Time) *Review {
	v := &Review{Form: "protobuf", Findings: []Finding{}}
	if body := strings.TrimLeft(string(payload[:min(len(payload), 64)]), " \t\r\n"); strings.HasPrefix(body, "{") {
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
	t, no := build(&broker.Msg{Device: r.Device, BrokerTime: now, Data: payload}, r, nil, cat)
	if no != nil {
		v.Refused = fmt.Sprintf("%s: %s", no.reason, no.detail)
		return v
	}
	v.VIN, v.Rejected, v.Tests = t.poll.VIN, len(t.bad), len(t.poll.Results)
	x := &examiner{Review: v, report: r, taken: t, how: howOf(r.Bus)}
	for i := range r.Messages {
		if r.Messages[i].PGN != series.None {
			x.how = howOf(series.J1939)
			break
		}
	}
	x.messages()
	x.vehicle(now)
	x.freshness()
	x.conditions()
	x.tests()
	slices.SortStableFunc(v.Findings, func(a, b Finding) int {
		return cmp.Compare(slices.Index(topics, a.Topic), slices.Index(topics, b.Topic))
	})
	return v
}

// An examiner collects what there is to say.
type examiner struct {
	*Review
	report *report.Report
	taken  *taken
	how    *how
}

func (x *examiner) find(topic Topic, format string, args ...any) *Finding {
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
		reason, _ := it.Values.Get("reason").(string)
		advice := ""
		switch reason {
		case "busy", "pending":
			advice = " Wait for the answer, or ask again in the same poll."
		case "no_support":
			advice = " Do not ask this control unit again until its calibration changes."
		case "accepted":
			continue
		}
		f := x.find(TopicMessage, "%s%s", strings.TrimSuffix(it.Explain(), ".")+".", advice)
		f.Message, f.ECU = x.taken.index[it.Message]+1, it.ECU
	}
	if len(x.report.Messages) == 0 {
		x.find(TopicMessage, "there is no message: the report only shows that the dongle lives.")
	}
}

// vehicle tells whether the report names its vehicle, its control units, and its time.
func (x *examiner) vehicle(now time.Time) {
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
		x.find(TopicVehicle, "the time %s is before 2000 or more than %d hours after %s: the results would be stored and never counted.", x.Time, int(clockSlack.Hours()), now.UTC().Format(time.RFC3339))
	}
	for _, it := range x.taken.read.Items {
		if it.ECU == "" && it.Kind == obd.KindResult {
			x.find(TopicVehicle, "no sender (from): results of two control units would be taken for one.").Message = x.taken.index[it.Message] + 1
			break
		}
	}
	for _, ecu := range x.senders() {
		if !slices.ContainsFunc(x.taken.poll.Results, func(r series.Result) bool { return r.ECU == ecu && r.CalID != "" }) {
			x.find(TopicVehicle, "no calibration id: new software with new limits could look like drift. Read %s at least once a trip; the last one is carried forward.", x.how.calibration).ECU = ecu
		}
	}
}

// senders are the control units with test results, in the order of the report.
func (x *examiner) senders() (list []string) {
	for i := range x.taken.poll.Results {
		if ecu := x.taken.poll.Results[i].ECU; !slices.Contains(list, ecu) {
			list = append(list, ecu)
		}
	}
	return list
}
