package ingest

import (
	"encoding/json"
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"marginline/ingest/broker"
	"marginline/ingest/fleet"
	"marginline/ingest/obd"
	"marginline/ingest/report"
)

// A dongle that speaks MQTT 3.1.1 hears what became of each report, and hears it only when it is committed.
func TestReceipts(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	_, port, err := net.SplitHostPort(h.broker.MQTTAddr())
	if err != nil {
		t.Fatal(err)
	}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://127.0.0.1:" + port).SetClientID("dgl-a").SetProtocolVersion(4))
	wait := func(k mqtt.Token) {
		t.Helper()
		if !k.WaitTimeout(20*time.Second) || k.Error() != nil {
			t.Fatal(k.Error())
		}
	}
	wait(c.Connect())
	defer c.Disconnect(100)
	receipts := make(chan broker.Receipt, 10)
	wait(c.Subscribe("obd/receipts/dgl-a", 1, func(_ mqtt.Client, m mqtt.Message) {
		var r broker.Receipt
		if err := json.Unmarshal(m.Payload(), &r); err != nil {
			t.Errorf("%s: %v", m.Payload(), err)
		}
		receipts <- r
	}))
	send := func(payload string) { wait(c.Publish("obd/reports/dgl-a", 1, false, payload)) }
	hear := func(want ...broker.Receipt) {
		t.Helper()
		for _, w := range want {
			select {
			case got := <-receipts:
				if got != w {
					t.Errorf("%+v, want %+v", got, w)
				}
			case <-time.After(20 * time.Second):
				t.Fatalf("waited in vain for %+v", w)
			}
		}
	}
	first := reportOf("r1", "dgl-a", vinA, when, result)
	send(first)
	h.awaitReports(1)
	if len(receipts) > 0 { // FlushEvery is an hour: nothing is committed before somebody waits for it
		t.Errorf("%+v before anything was committed", <-receipts)
	}
	h.settled()
	hear(broker.Receipt{ID: "r1", Kept: "stored"})
	if len(h.stored()) != 1 {
		t.Error("not stored")
	}
	send(first)
	send(reportOf("r1", "dgl-a", vinA, when, fuel))
	send("garbage")
	h.awaitReports(4)
	h.settled()
	hear(broker.Receipt{ID: "r1", Kept: "duplicate"}, broker.Receipt{ID: "r1", Kept: "quarantined", Reason: "conflicting_content"}, broker.Receipt{Kept: "quarantined", Reason: "unreadable"})
}

// awaitReports waits until the log holds so many: PUBACK does not say so.
func (h *house) awaitReports(n uint64) {
	h.t.Helper()
	await(h.t, func() bool {
		_, last, err := h.broker.Stream(h.t.Context())
		return err == nil && last >= n
	})
}

// What was refused comes in once what was wrong is mended, and only then; nothing is stored twice.
func TestReplay(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	h.publish("dgl-b", reportOf("r1", "dgl-b", vinA, when, result)) // A's VIN, B's dongle
	h.publish("dgl-a", reportOf("r2", "dgl-a", vinA, when, fuel, "49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00", "43 01 04 20", result, result+"21 89", "zz"))
	h.publish("dgl-a", "garbage")
	h.publish("dgl-a", reportOf("r2", "dgl-a", vinA, when, fuel)) // r2 has other content
	h.settled()
	replay := func() (told []string) {
		t.Helper()
		done, err := h.consumer.Replay(t.Context(), h.quarantined())
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range done {
			told = append(told, fmt.Sprintf("%d/%d %v %s %s", d.Entry.Seq, d.Entry.Message, d.Taken, d.Report, d.Why))
		}
		return told
	}
	check := func(want ...string) {
		t.Helper()
		got := replay()
		if !slices.EqualFunc(got, want, strings.HasPrefix) {
			t.Errorf("\n got %q\nwant %q", got, want)
		}
	}
	still := []string{
		"1/-1 false  still unit_mismatch", "2/4 false  still bad_length", "2/5 false  still no message: hex",
		"3/-1 false  still unreadable", "4/-1 false  report \"r2\" is stored with other content",
	}
	check(still...)
	if n := len(h.quarantined()); n != 5 || len(h.stored()) != 1 {
		t.Errorf("%d entries, %d reports", n, len(h.stored()))
	}

	// The dongle was moved, the roster did not know; and a newer program reads what this one could not.
	h.reopen()
	h.roster = unitsOf(t, fleet.Unit{Unit: "A", VIN: vinA, Device: "dgl-b"}, fleet.Unit{Unit: "B", VIN: vinB, Device: "dgl-a"})
	h.run(nil)
	check("1/-1 true r1 ", "2/4 false  still unit_mismatch", still[2], still[3], "4/-1 false  still unit_mismatch")
	h.reopen()
	h.roster = unitsOf(t, fleet.Unit{Unit: "A", VIN: vinA})
	h.prepare = func(c *Consumer) {
		build := c.build
		c.build = func(with *reader, m *broker.Msg, r *report.Report, ro *fleet.Roster, cat *obd.Catalogue) (*taken, *refused) {
			for i := range r.Messages {
				if d := r.Messages[i].Data; len(d) == 12 {
					r.Messages[i].Data = d[:10]
				}
			}
			return build(with, m, r, ro, cat)
		}
	}
	h.run(nil)
	check("2/4 true r2/4 ", still[2], still[3], still[4])
	got := h.stored()
	p := got["r2/4"]
	if len(got) != 3 || len(h.quarantined()) != 3 || p == nil {
		t.Fatalf("%d reports, %d entries", len(got), len(h.quarantined()))
	}
	if len(p.Results) != 1 || p.Results[0].CalID != "INV-CAL-0007" || len(p.Codes) != 0 || p.Context.FuelLevelPct != p.Context.FuelLevelPct || p.VIN != vinA || !p.ReadAt.Equal(got["r2"].ReadAt) {
		t.Errorf("%+v", p)
	}
	check(still[2], still[3], still[4])
	h.reopen()
	h.run(nil)
	h.settled()
	if n := len(h.quarantined()); n != 3 || len(h.stored()) != 3 {
		t.Errorf("after a restart: %d entries, %d reports", n, len(h.stored()))
	}
}

func unitsOf(t *testing.T, units ...fleet.Unit) *fleet.Roster {
	t.Helper()
	r, err := fleet.New(units)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A report that makes the program fail goes to the quarantine, and what is behind it comes in.
func TestPoison(t *testing.T) {
	h := newHouse(t)
	h.prepare = func(c *Consumer) {
		build := c.build
		c.build = func(with *reader, m *broker.Msg, r *report.Report, ro *fleet.Roster, cat *obd.Catalogue) (*taken, *refused) {
			if r.ID == "r2" {
				panic("invented")
			}
			return build(with, m, r, ro, cat)
		}
	}
	h.run(nil)
	for i := 1; i <= 3; i++ {
		id := fmt.Sprintf("r%d", i)
		h.publish("dgl-a", reportOf(id, "dgl-a", vinA, when, result))
	}
	h.settled()
	q := h.quarantined()
	if got := h.stored(); len(got) != 2 || got["r2"] != nil || len(q) != 1 || q[0].Reason != "poison" || q[0].ReportID != "r2" || !strings.Contains(q[0].Detail, "invented") {
		t.Errorf("%d reports, %+v", len(got), q)
	}
	h.prepare = nil // mended
	h.reopen()
	h.run(nil)
	h.settled()
	if done, err := h.consumer.Replay(t.Context(), q); err != nil || !done[0].Taken {
		t.Errorf("%+v %v", done, err)
	}
	if len(h.stored()) != 3 || len(h.quarantined()) != 0 {
		t.Errorf("%d reports, %d entries", len(h.stored()), len(h.quarantined()))
	}
}
