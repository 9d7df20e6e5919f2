package fleet

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	_ "modernc.org/sqlite"
)

const header = "unit,vin,device,depot,time_zone,engine_family,fuel,weight_class,gvwr_kg,state,tank_l,in_service_date,odometer_km,engine_hours," +
	"pm_interval_km,pm_interval_days,pm_interval_hours,pm_last_date,pm_last_km,pm_last_hours,inspection_due\n"

var sameUnits = cmp.Options{cmpopts.EquateNaNs(), cmp.Transformer("units", func(r *Roster) []*Unit { return r.Units() })}

func TestReadCSV(t *testing.T) {
	r, faults, err := ReadCSV(strings.NewReader("\uFEFF" + header +
		"V214, 9zztest74ra000123 ,dgl-0217,North,America/New_York,EF1,petrol,light,3500,NY,90,2024-05-01,48211.4,1830.5,16000,180,,2026-01-15,45000,1700,2026-11-30\n"))
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	day := func(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }
	want := []*Unit{{Unit: "V214", VIN: "9ZZTEST74RA000123", Device: "dgl-0217", Depot: "North", TimeZone: "America/New_York",
		EngineFamily: "EF1", Fuel: "petrol", WeightClass: "light", GVWRKg: 3500, State: "NY", TankL: 90, InService: day(2024, 5, 1),
		OdometerKm: 48211.4, EngineHours: 1830.5, PMIntervalKm: 16000, PMIntervalDays: 180, PMIntervalHours: math.NaN(),
		PMLast: day(2026, 1, 15), PMLastKm: 45000, PMLastHours: 1700, InspectionDue: day(2026, 11, 30)}}
	if diff := cmp.Diff(want, r.Units(), sameUnits); diff != "" {
		t.Error(diff)
	}
}

func TestReadCSV_OtherColumns(t *testing.T) {
	r, faults, err := ReadCSV(strings.NewReader("Device,Driver,UNIT\r\nd2,\"Doe, J\",B\r\nd1,,A\r\n,,\r\n"))
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	a, b := NewUnit("A"), NewUnit("B")
	a.Device, b.Device, b.Extra = "d1", "d2", map[string]string{"Driver": "Doe, J"}
	if diff := cmp.Diff([]*Unit{&a, &b}, r.Units(), sameUnits); diff != "" {
		t.Error(diff)
	}
	if r.Unit("B").Device != "d2" || r.Unit("C") != nil {
		t.Error("lookup by name")
	}
}

func TestReadCSV_RowErrors(t *testing.T) {
	in := "unit,vin,device,tank_l,weight_class,pm_last_date\n" +
		"A,VIN1,d1,eighty,heavy,\n" +
		"B,,,,,\n" +
		",VIN2,,,,\n" +
		"A,VIN3,,,,\n" +
		"C,vin1,,,,\n" +
		"D,,d1,,,\n" +
		"E,VIN4,bad name,,huge,03/02/2026\n" +
		"F,,bad.name,,,\n" +
		"G,VIN5,,1,2,3,4\n" +
		"H,\"VIN\"6,,,,\n" +
		"I,VIN7,,-4,,\n"
	r, faults, err := ReadCSV(strings.NewReader(in))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range faults {
		got = append(got, f.Error())
	}
	want := []string{
		`line 2, unit "A", tank_l: "eighty": want a number of at least 0, with a point for decimals (row kept without this cell)`,
		`line 3, unit "B": neither vin nor device (row left out)`,
		`line 4: no unit (row left out)`,
		`line 5, unit "A": comes twice (row left out)`,
		`line 6, unit "C": vin "VIN1" is unit "A"'s (row left out)`,
		`line 7, unit "D": device "d1" is unit "A"'s (row left out)`,
		`line 8, unit "E", device: "bad name": want 1 to 64 of A-Z a-z 0-9 _ - (row kept without this cell)`,
		`line 8, unit "E", weight_class: "huge": want light, medium or heavy (row kept without this cell)`,
		`line 8, unit "E", pm_last_date: "03/02/2026": want a date, such as 2026-03-02 (row kept without this cell)`,
		`line 9, unit "F", device: "bad.name": want 1 to 64 of A-Z a-z 0-9 _ - (row left out)`,
		`line 9, unit "F": neither vin nor device (row left out)`,
		`line 10, unit "G": 7 cells for 6 columns: a comma inside a cell needs quotes around the cell (row left out)`,
		`line 11: extraneous or missing " in quoted-field (row left out)`,
		`line 12, unit "I", tank_l: "-4": want a number of at least 0, with a point for decimals (row kept without this cell)`,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	var names []string
	for _, u := range r.Units() {
		names = append(names, u.Unit)
	}
	if diff := cmp.Diff([]string{"A", "E", "I"}, names); diff != "" {
		t.Errorf("kept: %s", diff)
	}
}

// Names are lines of text that fit a page, and a zone is one that exists; what a message quotes is short.
func TestReadCSV_HostileNames(t *testing.T) {
	long := strings.Repeat("x", 1<<20)
	in := "unit,vin,depot,time_zone\n" +
		"<script>alert(1)</script>,VIN1,\"=1+1\",America/Denver\n" +
		"\"a\nb\",VIN2,,\n" +
		"a\x00b,VIN3,,\n" +
		long + ",VIN4,,\n" +
		"B,VIN5,\xff\xfe,Mars/Olympus\n" +
		"C,VIN6,,Local\n"
	r, faults, err := ReadCSV(strings.NewReader(in))
	if err != nil {
		t.Fatal(err)
	}
	var kept []string
	for _, u := range r.Units() {
		kept = append(kept, u.Unit+"|"+u.Depot+"|"+u.TimeZone)
	}
	if diff := cmp.Diff([]string{"<script>alert(1)</script>|=1+1|America/Denver", "B||", "C||"}, kept); diff != "" {
		t.Error(diff)
	}
	var said []string
	for _, f := range faults {
		if len(f.Error()) > 500 {
			t.Errorf("a message of %d bytes", len(f.Error()))
		}
		said = append(said, f.Error())
	}
	all := strings.Join(said, "\n")
	for _, want := range []string{`line 3, unit: "a\nb": want at most 128 bytes`, `line 5, unit: "a\x00b"`, "bytes more: want at most", `line 7, unit "B", depot: "\xff\xfe"`, `line 7, unit "B", time_zone: "Mars/Olympus": want a zone`, `time_zone: "Local"`} {
		if !strings.Contains(all, want) {
			t.Errorf("nothing says %q:\n%s", want, all)
		}
	}
	if _, _, err := ReadCSV(strings.NewReader(long + ",b\n")); err == nil || len(err.Error()) > 500 {
		t.Errorf("a header of a megabyte: %.600v", err)
	}
}

func TestReadCSV_NoRoster(t *testing.T) {
	for in, says := range map[string]string{
		"":                          "empty",
		"unit,depot\nA,N\n":         "at least one of vin and device",
		"vin,device\nA,N\n":         "want the columns unit",
		"unit,vin,Unit\nA,N,B\n":    "twice",
		"\x00\x01binary, not a csv": "want the columns",
	} {
		if _, _, err := ReadCSV(strings.NewReader(in)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v: want %q", in, err, says)
		}
	}
}

func TestResolve(t *testing.T) {
	r, err := New([]Unit{{Unit: "A", VIN: "VIN1", Device: "d1"}, {Unit: "B", VIN: "VIN2"}, {Unit: "C", Device: "d3"}, {Unit: "D", VIN: "VIN4", Device: "d4"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ vin, device, unit string }{
		{"VIN1", "d1", "A"}, {"vin1 ", "", "A"}, {"VIN1", "new", "A"}, {"VIN2", "new", "B"},
		{"VIN1", "d4", "disagree"}, {"VIN2", "d3", "disagree"},
		{"OTHER", "d3", "C"}, {"OTHER", "d1", ""}, {"OTHER", "new", ""},
		{"", "d1", "A"}, {"", "d3", "C"}, {"", "new", ""}, {"", "", ""},
	} {
		u, err := r.Resolve(c.vin, c.device)
		got := ""
		if errors.Is(err, ErrDisagree) {
			got = "disagree"
		} else if u != nil {
			got = u.Unit
		}
		if got != c.unit {
			t.Errorf("Resolve(%q, %q) = %q, %v: want %q", c.vin, c.device, got, err, c.unit)
		}
	}
	var none *Roster
	if u, err := none.Resolve("VIN1", "d1"); u != nil || err != nil || none.Len() != 0 {
		t.Error("a nil roster has units")
	}
	if _, err := New([]Unit{{Unit: "A"}}); err == nil {
		t.Error("took a unit that nothing leads to")
	}
}

func TestStore(t *testing.T) {
	ctx := t.Context()
	db, err := sql.Open("sqlite", filepath.Join(t.TempDir(), "book.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	s, err := OpenStore(ctx, db)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := s.Load(ctx); err != nil || r.Len() != 0 {
		t.Fatal(r.Len(), err)
	}
	full, faults, err := ReadCSV(strings.NewReader(strings.TrimSpace(header) + ",driver\n" +
		"V214,9ZZTEST74RA000123,dgl-0217,North,America/New_York,EF1,petrol,light,3500.25,NY,1e6,2024-05-01,48211.4,1830.5,16000,180,,2026-01-15T07:30:00Z,45000,1700,2026-11-30,\"Zoë \"\"Z\"\"\"\n" +
		"V215,,d2,,,,,,,,,,,,,,,,,,,\n"))
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	at := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	for range 2 { // saving again changes nothing
		if err := s.Save(ctx, full, at); err != nil {
			t.Fatal(err)
		}
	}
	if s, err = OpenStore(ctx, db); err != nil {
		t.Fatal(err)
	}
	got, err := s.Load(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(full, got, sameUnits); diff != "" {
		t.Error(diff)
	}
	if saved, err := s.SavedAt(ctx); err != nil || !saved.Equal(at) {
		t.Errorf("saved at %v, %v", saved, err)
	}
	var tank float64
	if err := db.QueryRow("select tank_l * 2 from roster where unit = 'V214' and odometer_km > 40000").Scan(&tank); err != nil || tank != 2e6 {
		t.Errorf("numbers are not numbers in SQL: %v, %v", tank, err)
	}
	var out bytes.Buffer
	if err := got.WriteCSV(&out); err != nil {
		t.Fatal(err)
	}
	back, faults, err := ReadCSV(&out)
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	if diff := cmp.Diff(full, back, sameUnits); diff != "" {
		t.Error(diff)
	}
	small, _ := New([]Unit{{Unit: "X", Device: "d9"}})
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if err := s.Save(ended, small, at); err == nil {
		t.Error("saved although the caller had given up")
	}
	if got, err := s.Load(ctx); err != nil || got.Len() != 2 {
		t.Errorf("half saved: %d units, %v", got.Len(), err)
	}
	if err := s.Save(ctx, small, at); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Load(ctx); err != nil || got.Len() != 1 || got.Unit("X") == nil {
		t.Errorf("not replaced: %d units, %v", got.Len(), err)
	}
}

func FuzzReadCSV(f *testing.F) {
	f.Add([]byte(header + "A,v,d\n"))
	f.Add([]byte("unit,vin\n\"A\nB\",x\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		r, _, err := ReadCSV(bytes.NewReader(in))
		if err != nil {
			return
		}
		var out bytes.Buffer
		if err := r.WriteCSV(&out); err != nil {
			t.Fatal(err)
		}
		back, faults, err := ReadCSV(&out)
		if err != nil || len(faults) > 0 || back.Len() != r.Len() {
			t.Fatalf("%q: %d units came back as %d: %v %v", in, r.Len(), back.Len(), err, faults)
		}
	})
}
