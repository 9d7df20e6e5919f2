package ingest

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

// A catalogue gives meaning to the maker-defined tests of the older buses: nothing is left to say.
func TestExamine_Catalogue(t *testing.T) {
	cat, err := obd.ParseCatalogue(strings.NewReader("applies_to,test,component,name,scale,offset,unit,signed\nINV-CAL-0007,05,01,sensor switch time,0.5,0,ms,no\n"))
	if err != nil {
		t.Fatal(err)
	}
	if v := drives["older"].examine(t, cat); len(v.Findings) != 0 || v.Followed != 1 {
		t.Errorf("%+v", v)
	}
	nameless, err := obd.ParseCatalogue(strings.NewReader("applies_to,test,scale\n*,05,0.5\n"))
	if err != nil {
		t.Fatal(err)
	}
	if v := drives["older"].examine(t, nameless); len(v.Findings) != 0 {
		t.Errorf("scaled, and called raw: %+v", v.Findings)
	}
	v := drives["older"].with("46 05 01 00 00 00 00").examine(t, cat)
	if len(v.Findings) != 1 || v.Findings[0].Name != "sensor switch time" || v.Findings[0].Test != "t05.c01" {
		t.Errorf("%+v", v.Findings)
	}
}

// Each state a test can be in. Limits: SAE J1979 and J1939-73, from memory.
func TestExamine_Tests(t *testing.T) {
	support := "test the control unit supports it"
	for _, c := range []struct {
		name, drive string
		results     []string
		followed    int
		want        []string
	}{
		{"real limit", "car", []string{"46 21 89 20 01 40 00 80 FF FF"}, 1, nil},
		{"not run", "car", []string{"46 21 89 20 00 00 00 00 00 00"}, 0, []string{"test cannot be protected yet: not run since codes were cleared"}},
		{"no real limit", "car", []string{"46 21 89 20 01 40 00 00 FF FF"}, 0, []string{"test cannot be protected: the vehicle sends no real limit"}},
		{"no real limit, signed", "car", []string{"46 21 89 FE 00 14 80 00 7F FF"}, 0, []string{"test cannot be protected: the vehicle sends no real limit"}},
		{"constant", "car", []string{"46 21 01 0A 0B B0 0B B0 0B B0"}, 0, []string{"test cannot be protected: value and limits are one number"}},
		{"invalid", "car", []string{"46 21 89 20 01 40 01 00 00 80"}, 0, []string{"test cannot be protected: Catalyst Monitor Bank 1, test $89: invalid. The minimum"}},
		{"failing now", "car", []string{"46 21 89 20 00 40 00 80 FF FF"}, 0, []string{"test too late to protect: it fails now"}},
		{"at its limit", "car", []string{"46 21 89 20 00 80 00 80 FF FF"}, 1, nil},
		{"one value allowed", "car", []string{"46 21 89 20 00 81 00 80 00 80"}, 0, []string{"test too late to protect"}},
		{"unknown unit", "car", []string{"46 21 89 7D 01 40 00 80 FF FF"}, 1, []string{"test followed in raw counts: the unit id 7D is not known"}},
		{"signed, one limit", "car", []string{"46 21 89 FE 00 14 FF 9C 7F FF"}, 1, []string{"test followed by its distance to the limit"}},
		{"signed, two limits", "car", []string{"46 21 89 FE 00 14 FF 9C 00 C8"}, 1, nil},
		{"live counter", "car", []string{"46 21 89 20 01 40 00 80 FF FF", "46 A2 0C 24 00 07 00 00 00 64"}, 2, []string{"test a live counter: only the last value of a trip counts"}},
		{"average", "car", []string{"46 21 89 20 01 40 00 80 FF FF", "46 A2 0B 24 00 07 00 00 00 64"}, 2, nil},
		{"the same number of another monitor", "car", []string{"46 21 0C 20 01 40 00 80 FF FF"}, 1, nil},
		{"some of each", "car", []string{"46 21 89 20 01 40 00 80 FF FF 21 8A 20 00 00 00 00 00 00"}, 1, []string{"test cannot be protected yet"}},

		{"minimum only", "older", []string{"46 05 81 01 F4 01 2C"}, 1, []string{"test followed in raw counts: this bus"}},
		{"not run", "older", []string{"46 05 01 00 00 00 00"}, 0, []string{"test cannot be protected yet"}},
		{"all ones", "older", []string{"46 05 01 FF FF FF FF"}, 0, []string{"test cannot be protected: test $05, component $01: invalid. Value and limit are all ones"}},
		{"no real limit", "older", []string{"46 05 01 00 96 FF FF"}, 0, []string{"test cannot be protected: the vehicle sends no real limit"}},
		{"failing now", "older", []string{"46 05 02 00 96 00 64"}, 0, []string{"test too late to protect"}},
		{"another test", "older", []string{"46 06 02 00 50 00 64"}, 1, []string{support, "test followed in raw counts"}},
		{"oxygen sensor", "older", []string{"45 07 01 5A 14 C8", "46 05 02 00 50 00 64"}, 2, []string{"test followed in raw counts"}},

		{"not run", "uds", []string{"62 F6 21 89 20 00 00 00 00 00 00"}, 0, []string{"test cannot be protected yet"}},
		{"failing now", "uds", []string{"62 F6 21 89 20 00 40 00 80 FF FF"}, 0, []string{"test too late to protect"}},
		{"on a code", "uds", []string{"59 06 04 20 00 00 92 01 00 20 01 40 00 80 FF FF"}, 1, []string{support}},
		{"on a code, no limit", "uds", []string{"59 06 04 20 00 00 92 01 00 20 01 40 00 00 FF FF"}, 0, []string{support, "test cannot be protected: the vehicle sends no real limit"}},

		{"not run", "truck", []string{"F7 AA 0C 10 44 00 00 FB FF FF FF FF"}, 0, []string{"test cannot be protected yet"}},
		{"cannot run", "truck", []string{"F7 AA 0C 10 44 00 01 FB FF FF FF FF"}, 0, []string{"test cannot be protected"}},
		{"no real limit", "truck", []string{"F7 AA 0C 10 44 00 A0 47 FF FF FF FF"}, 0, []string{"test cannot be protected: the vehicle sends no real limit"}},
		{"failing now", "truck", []string{"F7 AA 0C 10 44 00 61 5A 60 5A 40 38"}, 0, []string{"test too late to protect"}},
		{"one limit, no ratio", "truck", []string{"F7 AA 0C 10 44 00 A0 47 60 5A FF FF"}, 1, []string{"test followed by its distance to the limit"}},
		{"unknown SLOT", "truck", []string{"F7 AA 0C 10 F0 EE A0 47 60 5A 40 38"}, 1, []string{"test followed in raw counts: the SLOT 61168 is not known"}},
		{"another SPN", "truck", []string{"F7 AB 0C 10 44 00 A0 47 60 5A 40 38"}, 1, []string{support}},
	} {
		t.Run(c.drive+" "+c.name, func(t *testing.T) {
			v := drives[c.drive].with(c.results...).examine(t, nil)
			finds(t, v, c.want...)
			if v.Followed != c.followed {
				t.Errorf("%d followed, want %d", v.Followed, c.followed)
			}
		})
	}
}

// A finding about a test says where it stands, who sent it, and its name in words.
func TestExamine_FindingNamesTheTest(t *testing.T) {
	v := drives["car"].with("46 21 89 20 00 00 00 00 00 00").examine(t, nil)
	want := []Finding{{TopicTest, len(car), "7e8", "m21.t89", "Catalyst Monitor Bank 1, test $89",
		"cannot be protected yet: not run since codes were cleared or the battery was disconnected. This is no pass; it will be followed once its monitor has completed."}}
	if diff := cmp.Diff(want, v.Findings); diff != "" {
		t.Error(diff)
	}
	for name, want := range map[string]Finding{
		"car":   {Message: len(car) - 1, ECU: "7e8", Test: "m21", Name: "Catalyst Monitor Bank 1"},
		"older": {Message: len(olderCar) - 2, ECU: "10", Test: "t05", Name: "test $05"},
		"truck": {Message: len(truck) - 1, ECU: "00", Test: "s3242"},
	} {
		f := drives[name].without("result").examine(t, nil).Findings
		got := f[len(f)-1]
		if got.Message != want.Message || got.ECU != want.ECU || got.Test != want.Test || want.Name != "" && got.Name != want.Name || got.Name == "" {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func TestExamine_Negative(t *testing.T) {
	for code, want := range map[string]string{
		"12": "message Do not ask this control unit again until its calibration changes",
		"21": "message Ask again in the same poll",
		"22": "message Ask again in the other state",
		"78": "message Wait for the answer that follows",
	} {
		d := drives["car"]
		d.messages = append(slices.Clone(d.messages), said{"", "7F 06 " + code, 0})
		v := d.examine(t, nil)
		topic, words, _ := strings.Cut(want, " ")
		if len(v.Findings) != 1 || string(v.Findings[0].Topic) != topic || !strings.Contains(v.Findings[0].Says, words) ||
			v.Findings[0].Message != len(d.messages) || v.Findings[0].ECU != "7e8" || v.Rejected != 0 {
			t.Errorf("7F 06 %s: %+v", code, v.Findings)
		}
	}
	d := drives["truck"] // acknowledgment of J1939-21, from memory: 0 accepted, 1 not supported, 3 busy
	d.messages = append(slices.Clone(d.messages), said{"", "00 FF FF FF F9 00 A4 00", 59392}, said{"", "03 FF FF FF F9 00 A4 00", 59392})
	finds(t, d.examine(t, nil), "message Ask again in the same poll")
}

// A message that cannot be read is told, and the others are judged without it.
func TestExamine_BadMessages(t *testing.T) {
	in := `{"id":"r1","device":"dgl-a","vin":"` + vinA + `","time":"2026-03-02T06:14:09Z","bus":"can","messages":[
		{"from":"7E8","data":"46 21 89 20 01 40 00 80 FF FF"},{"from":"7E8","data":"46 21 89 20 01"},{"from":"7E8","data":"55 00"},
		{"from":"7E8","data":"4G"},7,{"from":"7E8","data":"46 21","broken":"a consecutive frame is missing"}]}`
	v := Examine([]byte(in), nil, reviewedAt)
	if v.Refused != "" || v.Messages != 6 || v.Rejected != 5 || v.Tests != 1 || v.Followed != 1 {
		t.Fatalf("%+v", v)
	}
	// All of these are said before anything else.
	for place, want := range map[int]string{2: "(bad_length)", 3: "(unknown_service)", 4: "(undecodable)", 5: "(undecodable)", 6: "(not_reassembled): "} {
		if !slices.ContainsFunc(v.Findings[:5], func(f Finding) bool {
			return f.Topic == TopicMessage && f.Message == place && strings.Contains(f.Says, want) && strings.Contains(f.Says, "The other messages stay")
		}) {
			t.Errorf("message %d: no finding with %s among %+v", place, want, v.Findings)
		}
	}
	finds(t, Examine([]byte(`{"id":"r1","device":"dgl-a","vin":"`+vinA+`","time":"2026-03-02T06:14:09Z","bus":"can","messages":[]}`), nil, reviewedAt),
		"message there is no message", "test no test result")
}

// What would go to the quarantine as a whole is refused, with the quarantine's own reason.
func TestExamine_Refused(t *testing.T) {
	ok := reportOf("r1", "dgl-a", vinA, when, result)
	wire := func(in string) []byte {
		r, err := report.Parse([]byte(in))
		if err != nil {
			t.Fatal(err)
		}
		b, err := r.EncodeProto()
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	cut := wire(ok)
	for name, c := range map[string]struct {
		in   []byte
		want string
	}{
		"nothing":          {nil, "unreadable: empty payload"},
		"garbage":          {[]byte("\x00\x01garbage"), "unreadable: neither JSON"},
		"cut JSON":         {[]byte(ok[:60]), "unreadable: JSON near byte"},
		"cut protobuf":     {cut[:len(cut)-3], "unreadable: neither JSON"},
		"no id":            {[]byte(strings.Replace(ok, `"id":"r1",`, "", 1)), `missing_field: field "id"`},
		"no device":        {[]byte(strings.Replace(ok, `"device":"dgl-a",`, "", 1)), `missing_field: field "device"`},
		"no time":          {[]byte(strings.Replace(ok, `"time":"`+when+`",`, "", 1)), `missing_field: field "time"`},
		"no bus":           {[]byte(strings.Replace(ok, `"bus":"can",`, "", 1)), `missing_field: field "bus"`},
		"no messages":      {[]byte(`{"id":"r1","device":"dgl-a","time":"` + when + `","bus":"can"}`), `missing_field: field "messages"`},
		"no device, proto": {[]byte("\x12\x02r1"), `missing_field: field "device"`},
		"wrong bus":        {[]byte(strings.Replace(ok, `"can"`, `"tram"`, 1)), `unreadable: field "bus"`},
		"wrong device":     {[]byte(strings.Replace(ok, "dgl-a", "dgl.a", 1)), `unreadable: field "device"`},
		"too long":         {[]byte(ok + strings.Repeat(" ", report.MaxBytes)), "unreadable: report of"},
		"another vehicle":  {[]byte(reportOf("r1", "dgl-a", vinB, when, car[0].hex)), "vin_mismatch: the report says " + vinB + ", the vehicle says " + vinA},
		"another, proto":   {wire(reportOf("r1", "dgl-a", vinB, when, car[0].hex)), "vin_mismatch: "},
	} {
		v := Examine(c.in, nil, reviewedAt)
		if !strings.HasPrefix(v.Refused, c.want) || len(v.Findings) != 0 {
			t.Errorf("%s: refused %q, want %q; findings %+v", name, v.Refused, c.want, v.Findings)
		}
	}
}

// Among several reports the id counts: the same content again is harmless, other content is refused.
func TestReviewer(t *testing.T) {
	w := &Reviewer{Now: reviewedAt}
	one := reportOf("r1", "dgl-a", vinA, when, result)
	first := w.Examine([]byte(one))
	if first.Refused != "" || len(first.Findings) == 0 {
		t.Fatalf("%+v", first)
	}
	again := w.Examine([]byte(strings.ReplaceAll(one, "FF FF", "ffff")))
	if again.Refused != "" || len(again.Findings) != len(first.Findings)+1 || !strings.Contains(again.Findings[0].Says, "the same report came before") {
		t.Errorf("%+v", again)
	}
	other := w.Examine([]byte(reportOf("r1", "dgl-a", vinA, when, fuel)))
	if !strings.HasPrefix(other.Refused, "conflicting_content: ") {
		t.Errorf("%+v", other)
	}
	if v := w.Examine([]byte(reportOf("r2", "dgl-a", vinA, when, fuel))); v.Refused != "" {
		t.Errorf("%+v", v)
	}
}

// A report made of noise costs no more than its own size allows.
func TestExamine_Bounded(t *testing.T) {
	list := make([]string, report.MaxMessages)
	for i := range list {
		list[i] = fmt.Sprintf(`{"from":"%X","data":"46 00 FF FF FF FF 20 FF FF FF FF 21 89"}`, 0x10000000+i)
		if i%2 == 0 {
			list[i] = fmt.Sprintf(`{"from":"%X","data":"46 %s"}`, 0x10000000+i, strings.Repeat("00 FF FF FF FF ", 4))
		}
	}
	v := Examine([]byte(`{"id":"r1","device":"dgl-a","time":"2026-03-02T06:14:09Z","bus":"can","messages":[`+strings.Join(list, ",")+`]}`), nil, reviewedAt)
	if v.Refused != "" || len(v.Findings) != maxFindings || v.Omitted != report.MaxMessages/2*(1+31)+2-maxFindings {
		t.Errorf("%s, %d findings, %d omitted", v.Refused, len(v.Findings), v.Omitted)
	}
}

func FuzzExamine(f *testing.F) {
	for _, d := range drives {
		r := &report.Report{ID: "r1", Device: "dgl-a", Time: reviewedAt, Bus: d.bus, OdometerKm: d.odometer, EngineHours: d.hours, Messages: []report.Message{}}
		for _, s := range d.messages {
			data, err := obd.ParseHex(s.hex)
			if err != nil {
				f.Fatal(err)
			}
			m := report.Message{From: d.from, PGN: series.None, Data: data}
			if s.pgn != 0 {
				m.PGN = s.pgn
			}
			r.Messages = append(r.Messages, m)
		}
		text, err := r.Encode()
		if err != nil {
			f.Fatal(err)
		}
		wire, err := r.EncodeProto()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
		f.Add(wire)
	}
	f.Add([]byte(reportOf("r1", "dgl-a", vinA, when, result, "7F 06 78", "55", "59 06 04 20 00 00 92 00", "46 00 80 00 00 00")))
	f.Fuzz(func(t *testing.T, in []byte) {
		v := Examine(in, nil, reviewedAt)
		_, err := report.Parse(in)
		if err != nil && v.Refused == "" {
			t.Fatalf("taken, though unreadable: %v", err)
		}
		if v.Refused != "" {
			if len(v.Findings) != 0 {
				t.Fatalf("findings about a refused report: %+v", v)
			}
			return
		}
		if v.Followed > v.Tests || v.Rejected > v.Messages || len(v.Findings) > maxFindings {
			t.Fatalf("%+v", v)
		}
		for _, f := range v.Findings {
			if f.Says == "" || f.Message < 0 || f.Message > v.Messages || !slices.Contains(topics, f.Topic) {
				t.Fatalf("%+v", f)
			}
		}
	})
}
