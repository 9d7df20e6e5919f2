package ingest

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

var reviewedAt = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// A said is a message and what it is there for; a vehicle's messages together are a complete report.
type said struct {
	what, hex string
	pgn       int32 // 0 for none
}

// Layouts of SAE J1979 / ISO 15031-5, from memory; the support lists name what is sent and nothing else.
var car = []said{
	{"vin", "49 02 01 39 5A 5A 54 45 53 54 37 34 52 41 30 30 30 31 32 33", 0},
	{"calibration", "49 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00", 0},
	{"cycle", "41 41 00 07 65 04", 0},
	{"counters", "49 08 10 03 2C 06 07 01 92 02 F3" + strings.Repeat(" 00 00", 12), 0},
	{"confirmed", "43 00", 0},
	{"pending", "47 00", 0},
	{"permanent", "4A 00", 0},
	{"run time", "41 1F 0E 10", 0},
	{"warm-ups", "41 30 14", 0},
	{"distance", "41 31 01 2C", 0},
	{"fuel", "41 2F 80", 0},
	{"ambient", "41 46 3C", 0},
	{"coolant", "41 05 7B", 0},
	{"odometer", "41 A6 00 12 D6 87", 0},
	{"support", "46 00 00 00 00 01 20 80 00 00 00", 0},
	{"result", "46 21 89 20 01 40 00 80 FF FF", 0},
}

// SAE J1979 before CAN, from memory: text comes four bytes a message, a test result has one limit.
var olderCar = []said{
	{"vin", "49 02 01 00 00 00 39", 0}, {"vin", "49 02 02 5A 5A 54 45", 0}, {"vin", "49 02 03 53 54 37 34", 0}, {"vin", "49 02 04 52 41 30 30", 0}, {"vin", "49 02 05 30 31 32 33", 0},
	{"calibration", "49 04 01 49 4E 56 2D", 0}, {"calibration", "49 04 02 43 41 4C 2D", 0}, {"calibration", "49 04 03 30 30 30 37", 0}, {"calibration", "49 04 04 00 00 00 00", 0},
	{"cycle", "41 41 00 07 65 04", 0},
	{"counters", "49 08 01 03 2C 06 07", 0}, {"counters", "49 08 02 01 92 02 F3", 0},
	{"confirmed", "43 00 00 00 00 00 00", 0},
	{"pending", "47 00 00 00 00 00 00", 0},
	{"run time", "41 1F 0E 10", 0},
	{"warm-ups", "41 30 14", 0},
	{"distance", "41 31 01 2C", 0},
	{"fuel", "41 2F 80", 0},
	{"ambient", "41 46 3C", 0},
	{"coolant", "41 05 7B", 0},
	{"odometer", "41 A6 00 12 D6 87", 0},
	{"support", "46 00 FF 08 00 00 00", 0}, // test 05
	{"result", "46 05 01 00 78 01 90", 0},  // at most 0190
	{"result", "46 05 81 00 78 00 3C", 0},  // at least 003C
}

// SAE J1979-2 and ISO 14229-1, from memory.
var udsCar = []said{
	{"vin", "62 F8 02 39 5A 5A 54 45 53 54 37 34 52 41 30 30 30 31 32 33", 0},
	{"calibration", "62 F8 04 01 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00", 0},
	{"cycle", "62 F4 41 00 07 65 04", 0},
	{"counters", "62 F8 08 10 03 2C 06 07 01 92 02 F3" + strings.Repeat(" 00 00", 12), 0},
	{"codes", "59 42 33 08 FF 04", 0},
	{"permanent", "59 55 33 FF 04", 0},
	{"run time", "62 F4 1F 0E 10", 0},
	{"warm-ups", "62 F4 30 14", 0},
	{"distance", "62 F4 31 01 2C", 0},
	{"fuel", "62 F4 2F 80", 0},
	{"ambient", "62 F4 46 3C", 0},
	{"coolant", "62 F4 05 7B", 0},
	{"odometer", "62 F4 A6 00 12 D6 87", 0},
	{"support", "62 F6 00 00 00 00 01 F6 20 80 00 00 00", 0},
	{"result", "62 F6 21 89 20 01 40 00 80 FF FF", 0},
}

// SAE J1939-71 and -73, from memory. The pairing of SPN and SLOT is invented.
var truck = []said{
	{"vin", "39 5A 5A 54 45 53 54 37 34 52 41 30 30 30 31 32 33 2A", 65260},
	{"calibration", "4D 3C 2B 1A 49 4E 56 2D 43 41 4C 2D 30 30 30 37 00 00 00 00", 54016},
	{"DM26", "84 03 14 00 01 00 00 00", 64952},
	{"counters", "07 06 2C 03 AA 0C 00 92 01 F3 02", 49664},
	{"confirmed", "00 FF 00 00 00 00 FF FF", 65236},
	{"pending", "00 FF 00 00 00 00 FF FF", 65231},
	{"distance", "00 00 2C 01 00 00 58 02", 49408},
	{"fuel", "FF 7D FF FF FF FF FF FF", 65276},
	{"ambient", "CA FF FF A0 24 FF FF FF", 65269},
	{"coolant", "7B FF FF FF FF FF FF FF", 65262},
	{"support", "AA 0C 1B 01", 64950},
	{"result", "F7 AA 0C 10 44 00 A0 47 60 5A 40 38", 41984}, // 300 of 180 to 450 degrees
}

// A drive is a report to review.
type drive struct {
	bus      series.Bus
	from     string
	messages []said
	odometer float64
	hours    float64
}

var drives = map[string]drive{
	"car":   {series.CAN, "7E8", car, math.NaN(), math.NaN()},
	"older": {series.ISO9141, "10", olderCar, math.NaN(), math.NaN()},
	"uds":   {series.UDS, "18DAF110", udsCar, math.NaN(), math.NaN()},
	"truck": {series.J1939, "00", truck, 48211.4, 1830.5},
}

// without leaves out what was said for one purpose.
func (d drive) without(what string) drive {
	d.messages = slices.DeleteFunc(slices.Clone(d.messages), func(s said) bool { return s.what == what })
	return d
}

// with replaces the results, or adds more of something else.
func (d drive) with(hex ...string) drive {
	d = d.without("result")
	for _, h := range hex {
		s := said{"result", h, 0}
		if d.bus == series.J1939 {
			s.pgn = 41984
		}
		d.messages = append(d.messages, s)
	}
	return d
}

// examine reviews a drive in both forms, which have to agree, and gives the review.
func (d drive) examine(t *testing.T, cat *obd.Catalogue) *Review {
	t.Helper()
	r := &report.Report{ID: "r1", Device: "dgl-a", Time: time.Date(2026, 3, 2, 6, 14, 9, 0, time.UTC), Bus: d.bus,
		OdometerKm: d.odometer, EngineHours: d.hours, Messages: []report.Message{}}
	for _, s := range d.messages {
		data, err := obd.ParseHex(s.hex)
		if err != nil {
			t.Fatal(err)
		}
		m := report.Message{From: d.from, PGN: series.None, Data: data}
		if s.pgn != 0 {
			m.PGN = s.pgn
		}
		r.Messages = append(r.Messages, m)
	}
	text, err := r.Encode()
	if err != nil {
		t.Fatal(err)
	}
	wire, err := r.EncodeProto()
	if err != nil {
		t.Fatal(err)
	}
	a, b := Examine(text, cat, reviewedAt), Examine(wire, cat, reviewedAt)
	if a.Form != "json" || b.Form != "protobuf" {
		t.Errorf("forms %q and %q", a.Form, b.Form)
	}
	b.Form = a.Form
	if diff := cmp.Diff(a, b); diff != "" {
		t.Errorf("the forms are judged differently: %s", diff)
	}
	return a
}

// finds checks a review's findings: as many as wanted, in this order, each beginning with its topic and
// holding the words after it.
func finds(t *testing.T, v *Review, want ...string) {
	t.Helper()
	for i := range max(len(v.Findings), len(want)) {
		switch {
		case i >= len(want):
			t.Errorf("finding nobody expects: %+v", v.Findings[i])
		case i >= len(v.Findings):
			t.Errorf("not found: %s", want[i])
		default:
			topic, words, _ := strings.Cut(want[i], " ")
			if f := v.Findings[i]; string(f.Topic) != topic || !strings.Contains(f.Says, words) {
				t.Errorf("found %+v, want %s", f, want[i])
			}
		}
	}
	if v.Refused != "" {
		t.Errorf("refused: %s", v.Refused)
	}
}

func TestExamine_Complete(t *testing.T) {
	for name, d := range drives {
		t.Run(name, func(t *testing.T) {
			var inherent []string
			if name == "older" {
				inherent = []string{"test followed in raw counts: this bus sends no unit"}
			}
			v := d.examine(t, nil)
			finds(t, v, inherent...)
			if v.ID != "r1" || v.Device != "dgl-a" || v.VIN != vinA || v.Bus != d.bus.String() || v.Time != "2026-03-02T06:14:09Z" ||
				v.Messages != len(d.messages) || v.Rejected != 0 || v.Tests != 1 || v.Followed != 1 {
				t.Errorf("%+v", v)
			}
		})
	}
}

// Each thing is left out in turn; the review names it, says what to ask on this bus, and says nothing else.
func TestExamine_Lacks(t *testing.T) {
	raw := "test followed in raw counts"
	for _, c := range []struct {
		drive, without string
		want           []string
	}{
		{"car", "vin", []string{"vehicle no VIN: neither the field nor a message names the vehicle"}},
		{"car", "calibration", []string{"vehicle no calibration id: new software with new limits could look like drift. Read service 09, InfoType 04"}},
		{"car", "cycle", []string{"freshness no status of this driving cycle (service 01, PID 41)"}},
		{"car", "counters", []string{"freshness no in-use counters (service 09, InfoType 08 (diesel: 0B)"}},
		{"car", "confirmed", []string{"freshness no confirmed trouble codes (service 03)"}},
		{"car", "pending", []string{"freshness no pending trouble codes (service 07)"}},
		{"car", "permanent", nil},
		{"car", "run time", []string{"conditions no run time since start (PID 1F)"}},
		{"car", "warm-ups", []string{"conditions no warm-ups since clear (PID 30)"}},
		{"car", "distance", []string{"conditions no distance since clear (PID 31)"}},
		{"car", "fuel", []string{"conditions no fuel level (PID 2F)"}},
		{"car", "ambient", []string{"conditions no ambient temperature (PID 46)"}},
		{"car", "coolant", []string{"conditions no coolant temperature (PID 05)"}},
		{"car", "odometer", []string{"conditions no odometer (field odometer_km or PID A6)"}},
		{"car", "support", []string{"test no list of what the control units can report (service 06"}},
		{"car", "result", []string{"test no test result: there is nothing to protect", "test the control unit supports it, and the report has no result of it"}},

		{"older", "vin", []string{"vehicle no VIN", raw}},
		{"older", "calibration", []string{"vehicle no calibration id", raw}},
		{"older", "cycle", []string{"freshness no status of this driving cycle", raw}},
		{"older", "counters", []string{"freshness no in-use counters", raw}},
		{"older", "confirmed", []string{"freshness no confirmed trouble codes", raw}},
		{"older", "pending", []string{"freshness no pending trouble codes", raw}},
		{"older", "fuel", []string{"conditions no fuel level (PID 2F)", raw}},
		{"older", "support", []string{raw, "test no list of what the control units can report"}},
		{"older", "result", []string{"test no test result", "test the control unit supports it"}},

		{"uds", "vin", []string{"vehicle no VIN: neither"}},
		{"uds", "calibration", []string{"vehicle no calibration id: new software with new limits could look like drift. Read 22 F804"}},
		{"uds", "cycle", []string{"freshness no status of this driving cycle (22 F441)"}},
		{"uds", "counters", []string{"freshness no in-use counters (22 F808"}},
		{"uds", "codes", []string{"freshness no confirmed trouble codes (service 19, report type 42)", "freshness no pending trouble codes (service 19, report type 42)"}},
		{"uds", "permanent", nil},
		{"uds", "run time", []string{"conditions no run time since start (22 F41F)"}},
		{"uds", "warm-ups", []string{"conditions no warm-ups since clear (22 F430)"}},
		{"uds", "distance", []string{"conditions no distance since clear (22 F431)"}},
		{"uds", "fuel", []string{"conditions no fuel level (22 F42F)"}},
		{"uds", "ambient", []string{"conditions no ambient temperature (22 F446)"}},
		{"uds", "coolant", []string{"conditions no coolant temperature (22 F405)"}},
		{"uds", "odometer", []string{"conditions no odometer (field odometer_km or 22 F4A6)"}},
		{"uds", "support", []string{"test no list of what the control units can report (22 F600"}},
		{"uds", "result", []string{"test no test result", "test the control unit supports it"}},

		{"truck", "vin", []string{"vehicle no VIN: neither the field nor a message names the vehicle"}},
		{"truck", "calibration", []string{"vehicle no calibration id: new software with new limits could look like drift. Read DM19 (PGN 54016)"}},
		{"truck", "DM26", []string{"freshness no status of this driving cycle (DM26", "conditions no run time since start (DM26", "conditions no warm-ups since clear (DM26"}},
		{"truck", "counters", []string{"freshness no in-use counters (DM20"}},
		{"truck", "confirmed", []string{"freshness no confirmed trouble codes (DM12"}},
		{"truck", "pending", []string{"freshness no pending trouble codes (DM6"}},
		{"truck", "distance", []string{"conditions no distance since clear (DM21"}},
		{"truck", "fuel", []string{"conditions no fuel level (PGN 65276)"}},
		{"truck", "ambient", []string{"conditions no ambient temperature (PGN 65269)"}},
		{"truck", "coolant", []string{"conditions no coolant temperature (PGN 65262)"}},
		{"truck", "support", []string{"test no list of what the control units can report (DM24"}},
		{"truck", "result", []string{"test no test result", "test the control unit supports it"}},
	} {
		t.Run(c.drive+" without "+c.without, func(t *testing.T) {
			d := drives[c.drive].without(c.without)
			if len(d.messages) == len(drives[c.drive].messages) {
				t.Fatal("nothing was left out")
			}
			finds(t, d.examine(t, nil), c.want...)
		})
	}
	d := drives["truck"]
	d.odometer, d.hours = math.NaN(), math.NaN()
	finds(t, d.examine(t, nil), "conditions no odometer (field odometer_km)", "conditions no engine hours (field engine_hours)")
	d = drives["car"]
	d.from = ""
	finds(t, d.examine(t, nil), "vehicle no sender (from): results of two control units")
}

// What stands for a thing, and what only looks like it.
func TestExamine_Instead(t *testing.T) {
	for _, c := range []struct {
		drive, without string
		instead        said
		want           []string
	}{
		{"car", "cycle", said{"", "41 01 82 07 65 04", 0}, []string{"freshness no status of this driving cycle"}}, // since clear
		{"car", "pending", said{"", "4A 00", 0}, []string{"freshness no pending trouble codes"}},
		{"car", "fuel", said{"", "41 2F 80 05 7B", 0}, nil},
		{"truck", "DM26", said{"", "00 00 00 00 01 00 00 00", 65230}, []string{"freshness no status of this driving cycle", "conditions no run time", "conditions no warm-ups"}}, // DM5
		{"truck", "confirmed", said{"", "00 FF 00 00 00 00 FF FF", 65226}, nil},                                                                                                  // DM1 active
		{"truck", "confirmed", said{"", "43 FF 00 00 00 00 FF FF", 65227}, []string{"freshness no confirmed trouble codes"}},                                                     // DM2; its lamps are no service 43
		{"truck", "confirmed", said{"", "00 FF 00 00 00 00 FF FF", 64896}, []string{"freshness no confirmed trouble codes"}},                                                     // DM28 permanent
		{"uds", "codes", said{"", "59 02 FF", 0}, nil},
		{"uds", "codes", said{"", "59 0A FF 04 20 00 08", 0}, nil},
		{"uds", "codes", said{"", "59 15 FF", 0}, []string{"freshness no confirmed trouble codes", "freshness no pending trouble codes"}}, // permanent
	} {
		d := drives[c.drive].without(c.without)
		d.messages = append(d.messages, c.instead)
		t.Run(c.drive+" "+c.instead.hex, func(t *testing.T) { finds(t, d.examine(t, nil), c.want...) })
	}
}

// A car's control unit on a truck's wire is a control unit of its own, though a controller has the same
// address, and the advice is that for cars (ISO 15765-4 ids, from memory).
func TestExamine_BothOnOneWire(t *testing.T) {
	list := ""
	for _, s := range truck {
		list += fmt.Sprintf(`{"from":"10","pgn":%d,"data":%q},`, s.pgn, s.hex)
	}
	examine := func(more string) *Review {
		return Examine([]byte(`{"id":"r1","device":"dgl-a","time":"2026-03-02T06:14:09Z","bus":"j1939","odometer_km":1,"engine_hours":1,"messages":[`+list+
			`{"from":"18DAF110","data":"46 21 89 20 01 40 00 80 FF FF"}`+more+`]}`), nil, reviewedAt)
	}
	finds(t, examine(`,{"from":"18DAF110","data":"41 41 00 07 65 04"}`), "vehicle no calibration id", "freshness no in-use counters")
	v := examine("")
	finds(t, v, "vehicle no calibration id: new software with new limits could look like drift. Read service 09, InfoType 04",
		"freshness no status of this driving cycle (service 01, PID 41)", "freshness no in-use counters (service 09")
	for _, f := range v.Findings {
		if f.ECU != "18daf110" {
			t.Errorf("%+v", f)
		}
	}
}

// Two control units are held apart: what one told does not stand for the other.
func TestExamine_TwoSenders(t *testing.T) {
	r := func(more string) *Review {
		list := ""
		for _, s := range car {
			list += fmt.Sprintf(`{"from":"7E8","data":%q},`, s.hex)
		}
		return Examine([]byte(`{"id":"r1","device":"dgl-a","time":"2026-03-02T06:14:09Z","bus":"can","messages":[`+list+more+`]}`), nil, reviewedAt)
	}
	v := r(`{"from":"7E9","data":"46 21 89 20 01 40 00 80 FF FF"}`)
	finds(t, v, "vehicle no calibration id", "freshness no status of this driving cycle", "freshness no in-use counters")
	for _, f := range v.Findings {
		if f.ECU != "7e9" {
			t.Errorf("%+v", f)
		}
	}
	// A truck's parameter groups carry the sender in the last byte of ids that differ.
	list := ""
	for i, s := range truck {
		list += fmt.Sprintf(`{"from":"18%04X%02X","pgn":%d,"data":%q},`, 0xFE00+i, 0, s.pgn, s.hex)
	}
	v = Examine([]byte(`{"id":"r1","device":"dgl-a","time":"2026-03-02T06:14:09Z","bus":"j1939","odometer_km":1,"engine_hours":1,"messages":[`+strings.TrimSuffix(list, ",")+`]}`), nil, reviewedAt)
	finds(t, v)
}

func TestExamine_Vehicle(t *testing.T) {
	d := drives["car"]
	at := func(vin, when string) *Review {
		list := make([]string, 0, len(car))
		for _, s := range d.without("vin").messages {
			list = append(list, s.hex)
		}
		return Examine([]byte(reportOf("r1", "dgl-a", vin, when, list...)), nil, reviewedAt)
	}
	finds(t, at(vinA, when))
	finds(t, at("9ZZTEST75RA000123", when), "vehicle the check digit of the VIN 9ZZTEST75RA000123 should be 4")
	finds(t, at("9ZZTEST7", when), `vehicle "9ZZTEST7" is no VIN`)
	finds(t, at(vinA, "1999-12-31T23:59:59Z"), "vehicle the time 1999-12-31T23:59:59Z is before 2000")
	finds(t, at(vinA, "2026-03-03T07:00:00Z"))
	finds(t, at(vinA, "2026-03-03T07:00:01Z"), "vehicle more than 24 hours after receipt (2026-03-02T07:00:00Z)")
}
