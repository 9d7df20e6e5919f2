package ingest

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protowire"

	"marginline/ingest/broker"
	"marginline/ingest/report"
)

// wireOf is the protobuf form of a report in JSON.
func wireOf(t *testing.T, in string) string {
	t.Helper()
	r, err := report.Parse([]byte(in))
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.EncodeProto()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A report in protobuf goes the same way as one in JSON, and is the same report. One that cannot be read, or
// one message of it, is in the quarantine with exactly the bytes that came.
func TestProtobufThroughThePipeline(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	type held struct {
		Device, ReportID string
		Message          int
		Reason           Reason
		Raw              string
	}
	var want []held
	refuse := func(id string, reason Reason, raw string) {
		h.publish("dgl-a", raw)
		want = append(want, held{"dgl-a", id, broker.WholeReport, reason, raw})
	}
	one := reportOf("p1", "dgl-a", vinA, when, result, fuel)
	wire := wireOf(t, one)
	h.publish("dgl-a", wire)
	h.publish("dgl-a", one) // the same report in the other form: nothing new

	every := make([]byte, 256) // no field can begin with FF FF ...
	for i := range every {
		every[i] = byte(255 - i)
	}
	refuse("", Unreadable, string(every))
	refuse("", Unreadable, wire[:len(wire)-1])
	refuse("", Unreadable, wire+"\x52\xff\xff\xff\xff\x0f")                 // a message that is longer than what follows
	refuse("", Unreadable, "\x00"+wire)                                     // field number 0
	refuse("p1", Unreadable, wire+"\x20\x01")                               // the time as a varint
	refuse("", MissingField, strings.Replace(wire, "\x12\x02p1", "", 1))    // no id
	refuse("p1", MissingField, strings.Replace(wire, "\x2a\x03can", "", 1)) // no bus
	refuse("p1", ConflictingContent, wireOf(t, reportOf("p1", "dgl-a", vinA, when, result)))

	element := func(fields ...string) string {
		return string(protowire.AppendString([]byte{10<<3 | 2}, strings.Join(fields, "")))
	}
	from, data := "\x0a\x037E8", "\x1a\x0a\x46\x21\x89\x20\x01\x40\x00\x80\xff\xff"
	h.publish("dgl-a", wireOf(t, reportOf("p2", "dgl-a", vinA, "2026-03-02T07:14:09Z", result))+
		element(from, "\x10\x80\x80\x10")+ // parameter group 262144
		element("\x0a\x02\xc3\x28", data)+ // a sender that is no UTF-8
		element("\x1a\x7f\x46")+ // data that is longer than its message
		element(from, "\x1a\x02\x46\x21", "\x22\x04lost")+ // not put together
		element(from, "\x1a\x02\x55\x00"))
	for i, raw := range []string{from + "\x10\x80\x80\x10", "\x0a\x02\xc3\x28" + data, "\x1a\x7f\x46", "\x46\x21", "\x55\x00"} {
		reason := [...]Reason{Undecodable, Undecodable, Undecodable, NotReassembled, UnknownService}[i]
		want = append(want, held{"dgl-a", "p2", i + 1, reason, raw})
	}
	h.settled()

	var got []held
	for _, e := range h.quarantined() {
		got = append(got, held{e.Device, e.ReportID, e.Message, Reason(e.Reason), string(e.Raw)})
		if e.Detail == "" {
			t.Errorf("no reason in words: %+v", e)
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	stored := h.stored()
	if len(stored) != 2 || len(stored["p1"].Results) != 1 || stored["p1"].Messages != 2 || stored["p2"].Rejected != 5 || len(stored["p2"].Results) != 1 {
		t.Errorf("%+v", stored)
	}
	if v := h.metric("marginline_duplicates_total"); v != 1 {
		t.Errorf("%v duplicates, want 1", v)
	}
}
