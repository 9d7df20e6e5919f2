package ingest

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"marginline/ingest/broker"
	"marginline/ingest/lake"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

func TestReportToRows(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	h.publish("dgl-a", `{"id":"r1","device":"dgl-a","vin":"9zztest74ra000123","time":"2026-03-02T06:14:09.1234567Z","received":"2026-03-02T06:15:00Z",
		"bus":"can","odometer_km":48211.4,"engine_hours":1830.5,"messages":[
		{"from":"7E8","data":"46 21 89 20 01 40 00 80 FF FF"},{"from":"7e8","data":"412f80"},{"from":"7E8","data":"41 A6 00 00 03 E8"},
		{"from":"7E8","data":"43 01 04 20"},{"from":"7E8","data":"7F 06 12"},{"from":"7E8","data":"49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00"}]}`)
	h.settled()
	got := h.stored()["r1"]
	if got == nil {
		t.Fatal("not stored")
	}
	at := time.Date(2026, 3, 2, 6, 14, 9, 123456e3, time.UTC)
	if !got.ReadAt.Equal(at) || !got.ClockOK || !got.Received.Equal(time.Date(2026, 3, 2, 6, 15, 0, 0, time.UTC)) {
		t.Errorf("placed at %v, %v, received %v", got.ReadAt, got.ClockOK, got.Received)
	}
	if got.VIN != vinA || got.Device != "dgl-a" || got.Bus != series.CAN || got.Messages != 6 || got.Rejected != 0 {
		t.Errorf("%+v", got)
	}
	if got.Context.OdometerKm != 48211.4 || got.Context.EngineHours != 1830.5 || math.Abs(got.Context.FuelLevelPct-128*100/255.0) > 1e-9 {
		t.Errorf("context %+v: the report's odometer comes before the vehicle's", got.Context)
	}
	if len(got.Results) != 1 || got.Results[0].Test != "m21.t89" || got.Results[0].ECU != "7e8" || got.Results[0].CalID != "INV-CAL-0007" || math.Abs(got.Results[0].Margin-0.6) > 1e-12 {
		t.Errorf("results %+v", got.Results)
	}
	if diff := cmp.Diff([]series.Code{{ECU: "7e8", Kind: series.CodeConfirmed, Code: "P0420"}}, got.Codes); diff != "" {
		t.Error(diff)
	}
	if len(h.quarantined()) != 0 {
		t.Errorf("quarantine: %v", h.quarantined())
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if diff := cmp.Diff([]*series.Poll{got}, h.polls, samePolls); diff != "" {
		t.Errorf("OnCommit was told something else than the lake holds: %s", diff)
	}
	for name, want := range map[string]float64{
		"marginline_messages_total": 6, "marginline_duplicates_total": 0, "marginline_unknown_vehicle_reports_total": 0,
		"marginline_commit_seconds": 1, "marginline_vin_check_digit_mismatches_total": 0,
	} {
		if v := h.metric(name); v != want {
			t.Errorf("%s = %v, want %v", name, v, want)
		}
	}
	if h.metric("marginline_reports_total", "outcome=stored") != 1 || h.metric("marginline_readings_total", "state=ok") != 1 {
		t.Error("metrics of reports or readings")
	}
}

// The PID A6 odometer stands in where the report has none (SAE J1979-DA, from memory: 0.1 km a bit). A
// message with a PGN is J1939 whatever the bus says. Rows of vehicles that nobody knows are kept.
func TestReportToRows_LessGiven(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	h.publish("dgl-x", `{"id":"r1","device":"dgl-x","time":"2026-03-02T06:14:09Z","bus":"can","messages":[
		{"from":"7E8","data":"41 A6 00 00 03 E8"},
		{"from":"00","pgn":41984,"data":"F7 AA 0C 10 44 00 A0 47 60 5A FF FF"},
		{"from":"7E8","data":"49 02 01 39 5A 5A 54 45 53 54 37 34 52 41 30 30 30 31 32 33"}]}`)
	h.publish("dgl-y", reportOf("r2", "dgl-y", "9ZZTEST75RA000123", when, result)) // wrong check digit: a warning
	h.publish("dgl-c", reportOf("r3", "dgl-c", vinX, when, result))                // the device's unit lists no VIN
	h.publish("dgl-c", reportOf("r4", "dgl-c", "", when))                          // no messages: a report all the same
	h.settled()
	got := h.stored()
	if len(got) != 4 {
		t.Fatalf("%d reports", len(got))
	}
	r1 := got["r1"]
	if r1.Context.OdometerKm != 100 || r1.VIN != vinA {
		t.Errorf("odometer %v, vin %q", r1.Context.OdometerKm, r1.VIN)
	}
	if len(r1.Results) != 1 || r1.Results[0].SPN == series.None || r1.Results[0].ECU != "00" {
		t.Errorf("%+v", r1.Results)
	}
	if len(got["r2"].Results) != 1 || got["r4"].Messages != 0 {
		t.Errorf("%+v", got)
	}
	if v := h.metric("marginline_unknown_vehicle_reports_total"); v != 1 {
		t.Errorf("%v reports of unknown vehicles, want 1", v)
	}
	if v := h.metric("marginline_vin_check_digit_mismatches_total"); v != 1 {
		t.Errorf("%v check digit mismatches, want 1", v)
	}
	if n := len(h.quarantined()); n != 0 {
		t.Errorf("%d quarantine entries", n)
	}
}

const vinX = "9ZZTEST72RA000122" // on no roster; its check digit holds: 49 CFR 565.15 by hand, 409 mod 11 = 2

// Everything that can be wrong ends in the quarantine, once, with its bytes, and the good stays.
func TestQuarantine(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	good := reportOf("good", "dgl-a", vinA, when, result)
	type held struct {
		Device, ReportID string
		Message          int
		Reason           Reason
		Raw              string
	}
	var want []held
	whole := func(device, id string, reason Reason, raw string) {
		h.publish(device, raw)
		want = append(want, held{device, id, broker.WholeReport, reason, raw})
	}
	h.publish("dgl-a", good)
	whole("dgl-a", "", Unreadable, "\x00\x01\xff garbage")
	whole("dgl-a", "", Unreadable, "")
	whole("dgl-a", "", Unreadable, "\x0a\x04b1c0")
	whole("dgl-a", "", Unreadable, good[:len(good)-3])
	whole("dgl-a", "t", Unreadable, strings.Replace(reportOf("t", "dgl-a", "", when), "2026-03", "2026-13", 1))
	whole("dgl-a", "b", Unreadable, strings.Replace(reportOf("b", "dgl-a", "", when), `"can"`, `"tram"`, 1))
	whole("dgl-a", "", MissingField, strings.Replace(good, `"id":"good",`, "", 1))
	whole("dgl-a", "m", MissingField, `{"id":"m","device":"dgl-a","time":"2026-03-02T06:14:09Z","bus":"can"}`)
	whole("dgl-b", "d", DeviceMismatch, reportOf("d", "dgl-a", vinA, when, result))
	whole("dgl-b", "u", UnitMismatch, reportOf("u", "dgl-b", vinA, when, result))
	whole("dgl-a", "v", VINMismatch, reportOf("v", "dgl-a", vinA, when, result, "49 02 01 39 5A 5A 54 45 53 54 37 58 52 41 30 30 30 30 31 34"))
	whole("dgl-a", "w", VINMismatch, reportOf("w", "dgl-a", vinA, when, "62 F8 02 39 5A 5A 54 45 53 54 37 58 52 41 30 30 30 30 31 34"))
	whole("dgl-a", "good", ConflictingContent, reportOf("good", "dgl-a", vinA, when, result, fuel))
	single := func(message int, reason Reason, raw string) {
		want = append(want, held{"dgl-a", "s", message, reason, raw})
	}
	h.publish("dgl-a", `{"id":"s","device":"dgl-a","time":"2026-03-02T07:14:09Z","bus":"can","messages":[
		{"from":"7E8","data":"55 00"},{"from":"7E8","data":"46 21 89 20 01 40 00 80 FF"},{"from":"7E8","data":"46 2X"},5,
		{"from":"7E8","data":"46 21 89 20 01 40 00 80 FF FF"},{"from":"7E8","data":"7F 06 78"},{"from":"zz","data":"41 2F 80"},{"from":"7E8","data":""}]}`)
	single(0, UnknownService, "\x55\x00")
	single(1, BadLength, "\x46\x21\x89\x20\x01\x40\x00\x80\xFF")
	single(2, Undecodable, "46 2X")
	single(3, Undecodable, "5")
	single(6, Undecodable, "\x41\x2F\x80")
	single(7, BadLength, "")
	last := h.publish("dgl-a", reportOf("after", "dgl-a", vinA, "2026-03-02T08:00:00Z", result))
	h.settled()

	check := func() {
		t.Helper()
		var got []held
		for _, e := range h.quarantined() {
			got = append(got, held{e.Device, e.ReportID, e.Message, Reason(e.Reason), string(e.Raw)})
			if e.Detail == "" || e.At.IsZero() || e.Seq == 0 || !strings.HasPrefix(e.Stream, broker.Reports+"@") {
				t.Errorf("%+v", e)
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
		stored := h.stored()
		if ids := slices.Sorted(maps.Keys(stored)); !slices.Equal(ids, []string{"after", "good", "s"}) {
			t.Errorf("stored %q", ids)
		}
		if s := stored["s"]; s.Messages != 8 || s.Rejected != 6 || len(s.Results) != 1 {
			t.Errorf("%d messages, %d rejected, %d results", s.Messages, s.Rejected, len(s.Results))
		}
	}
	check()
	byReason := map[Reason]float64{}
	for _, w := range want {
		byReason[w.Reason]++
	}
	for r, n := range byReason {
		if v := h.metric("marginline_quarantined_total", "reason="+string(r)); v != n {
			t.Errorf("quarantined by %s: %v, want %v", r, v, n)
		}
	}
	if c := h.consumer.Counts(); c.Refused != 13 || c.Quarantined != uint64(len(want)) || c.Reports != 3 || c.Readings != 3 {
		t.Errorf("%+v", c)
	}
	if h.lake.Position().Seq != last {
		t.Errorf("committed %d, want %d", h.lake.Position().Seq, last)
	}
	// The same again, after a restart too, adds nothing.
	h.publish("dgl-a", "\x00\x01\xff garbage")
	h.publish("dgl-b", reportOf("u", "dgl-b", vinA, when, result))
	h.settled()
	check()
	h.reopen()
	h.run(nil)
	h.publish("dgl-a", "\x00\x01\xff garbage")
	h.settled()
	check()
	// What was wrong may be put right: the roster now says that this dongle is in that vehicle.
	h.roster = rosterOf(t, "A", vinA, "dgl-b")
	h.publish("dgl-b", reportOf("u", "dgl-b", vinA, when, result))
	h.settled()
	if h.stored()["u"] == nil {
		t.Error("a report refused under the old roster is refused under the new one")
	}
}

// A report that an earlier release has stored, under the digest of its time, is known by it.
func TestDuplicateOfAnEarlierRelease(t *testing.T) {
	h := newHouse(t)
	in := reportOf("r1", "dgl-a", vinA, when, result)
	r, err := report.Parse([]byte(in))
	if err != nil {
		t.Fatal(err)
	}
	h.lake.Append(&series.Poll{ReportID: "r1", Digest: r.EarlierDigest(), Device: "dgl-a", VIN: vinA, Bus: r.Bus, ReadAt: r.Time, ClockOK: true, Context: series.NoContext()}, 1)
	if err := h.lake.Commit(t.Context(), lake.Position{Stream: "before", Seq: 1}); err != nil {
		t.Fatal(err)
	}
	h.run(nil)
	h.publish("dgl-a", in)
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, fuel))
	h.settled()
	if c := h.consumer.Counts(); c.Duplicates != 1 || c.Refused != 1 || c.Reports != 0 {
		t.Errorf("%+v", c)
	}
}

func TestDuplicates(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	for range 3 {
		h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	}
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, strings.ReplaceAll(result, " ", "")))
	h.settled()
	h.reopen() // what is known is known again from the lake
	h.run(nil)
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, fuel))
	h.settled()
	if got := h.stored(); len(got) != 1 || len(got["r1"].Results) != 1 {
		t.Errorf("%+v", got)
	}
	if v := h.metric("marginline_duplicates_total"); v != 1 {
		t.Errorf("%v duplicates since the restart, want 1", v)
	}
	if q := h.quarantined(); len(q) != 1 || Reason(q[0].Reason) != ConflictingContent {
		t.Errorf("%+v", q)
	}
	if h.lake.Position().Seq != 6 {
		t.Errorf("committed %d", h.lake.Position().Seq)
	}
}

// Without anybody waiting, time alone flushes.
func TestFlushByTime(t *testing.T) {
	h := newHouse(t)
	h.cfg.FlushEvery = 150 * time.Millisecond
	h.run(nil)
	h.publish("dgl-a", reportOf("r1", "dgl-a", vinA, when, result))
	await(t, func() bool { return len(h.stored()) == 1 && h.consumer.Idle() })
}

// Whatever the cut into flushes, the same log gives the same rows and the same quarantine.
func TestBatchBoundaries(t *testing.T) {
	var lines []string
	for n := range 60 {
		i := n % 40 // the first 20 come again at the end, half of them with other content
		id := fmt.Sprint("r", i)
		msg := result
		if n >= 40 && i%2 == 0 {
			msg = fuel
		}
		time := fmt.Sprintf("2026-03-%02dT06:00:00Z", 1+i%28)
		if i%7 == 0 {
			time = "1999-12-31T23:59:59Z"
		}
		lines = append(lines, reportOf(id, []string{"dgl-a", "dgl-b"}[i%2], "", time, msg, "46"))
	}
	type outcome struct {
		polls map[string]*series.Poll
		held  []broker.Entry
	}
	var first *outcome
	for _, rows := range []int{3, 17, 1000} {
		h := newHouse(t)
		h.cfg.FlushRows = rows
		h.run(nil)
		if _, err := NewImporter(h.broker).Import(t.Context(), strings.NewReader(strings.Join(lines, "\n"))); err != nil {
			t.Fatal(err)
		}
		h.settled()
		got := &outcome{h.stored(), h.quarantined()}
		for _, p := range got.polls {
			p.Received = time.Time{} // the time the log took it
		}
		if first == nil {
			first = got
			if len(got.polls) != 40 || len(got.held) != 40+10 {
				t.Errorf("%d reports, %d entries", len(got.polls), len(got.held))
			}
		}
		ignore := cmpopts.IgnoreFields(broker.Entry{}, "Stream", "At")
		// The very first report has a bad clock and nothing before it: it is placed when the log took it.
		delete(got.polls, "r0")
		if diff := cmp.Diff(first.polls, got.polls, samePolls); diff != "" {
			t.Errorf("%d rows a flush: %s", rows, diff)
		}
		if diff := cmp.Diff(first.held, got.held, ignore); diff != "" {
			t.Errorf("%d rows a flush: %s", rows, diff)
		}
	}
}
