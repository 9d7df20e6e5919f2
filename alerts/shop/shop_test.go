package shop

import (
	"database/sql"
	"path/filepath"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"
	"pgregory.net/rapid"
)

var now = time.Date(2026, 5, 25, 6, 0, 0, 0, time.UTC)

func store(t *testing.T) *Store {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "state.db"))
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	s, err := OpenStore(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const factFile = "\uFEFFkind,unit,date,by,text,level,symptom,device,depot,part,quantity,odometer_km\r\n" +
	"service,217,2026-05-01,Priya,,A,,,,,,48211.4\r\n" +
	"report,217,2026-05-20T05:30:00Z,driver,\"smell at the filler, after the fill-up\",,fuel_smell,,,,,\r\n" +
	"part,,2026-05-20,Priya,,,,,Alder Yard,filler cap,4,\r\n" +
	"report,999,2026-05-20,driver,,,lamp,,,,,\r\n" + // not on the roster
	"report,217,2026-05-20,driver,,,wobble,,,,,\r\n" + // no such symptom
	"service,217,20.05.2026,Priya,,A,,,,,,\r\n" + // no date
	"repair,217,2026-05-20,Priya,,,,,,,,\r\n" + // says nothing
	"clear,217,2027-05-20,Priya,,,,,,,,\r\n" // ahead

func TestFactsOfAFile(t *testing.T) {
	facts, faults, err := ReadCSV(strings.NewReader(factFile), "import", now, func(u string) bool { return u == "217" })
	if err != nil || len(facts) != 3 || len(faults) != 5 {
		t.Fatalf("%d facts, %v, %v", len(facts), faults, err)
	}
	for i, want := range []struct {
		line int
		says string
	}{{5, "not on the roster"}, {6, "wobble"}, {7, "want a date"}, {8, "what was repaired"}, {9, "future"}} {
		if faults[i].Line != want.line || !strings.Contains(faults[i].Error(), want.says) {
			t.Errorf("fault %d: %v, want line %d, %q", i, faults[i], want.line, want.says)
		}
	}
	if !facts[1].Stops() || facts[0].Stops() || facts[0].Words() != "PM service A (Priya)" || *facts[0].OdometerKm != 48211.4 {
		t.Errorf("%+v", facts)
	}
	for _, head := range []string{"", "kind,unit", "kind,date,colour", "kind,date,kind"} {
		if _, _, err := ReadCSV(strings.NewReader(head), "", now, nil); err == nil {
			t.Errorf("header %q was taken", head)
		}
	}
}

func TestFactsAreKeptOnceAndTakenBackWithAReason(t *testing.T) {
	s, ctx := store(t), t.Context()
	facts, _, err := ReadCSV(strings.NewReader(factFile), "import", now, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []int{len(facts), 0} {
		if n, err := s.Add(ctx, facts, "Priya", now); err != nil || n != want {
			t.Errorf("added %d, %v, want %d", n, err, want)
		}
	}
	of, err := s.Facts(ctx, "217")
	if err != nil || len(of) != 2 || of[0].Symptom != "fuel_smell" {
		t.Fatalf("%+v, %v", of, err)
	}
	if err := s.TakeBack(ctx, of[0].ID, "Priya", "", now); err == nil {
		t.Error("taken back without a reason")
	}
	if err := s.TakeBack(ctx, of[0].ID, "Priya", "it was the unit beside it", now); err != nil {
		t.Error(err)
	}
	if err := s.TakeBack(ctx, of[0].ID, "Priya", "again", now); err == nil {
		t.Error("taken back twice")
	}
	if of, err = s.Facts(ctx, "217"); err != nil || len(of) != 1 {
		t.Errorf("%+v, %v", of, err)
	}
}

const shopFile = `depots:
  - name: Alder Yard
    time_zone: America/Denver
    bays: [{name: "1", kinds: [lift, vapour_safe]}, {name: "2"}]
    open: {mon: 8, tue: 8, wed: 8, thu: 8, fri: 8, sat: 4}
    technicians:
      - {name: Wes, skills: [evap, diesel]}
      - {name: Marisol, skills: [evap], hours: {mon: 6, tue: 9}, away: [2026-05-26]}
    closed: [2026-05-28]
`

func TestShopFile(t *testing.T) {
	s, ctx := store(t), t.Context()
	if f, _, v, err := s.File(ctx); err != nil || v != 0 || len(f.Depots) != 0 {
		t.Errorf("%v %d %v", f, v, err)
	}
	if _, err := s.SaveFile(ctx, shopFile, "Priya", now); err != nil {
		t.Fatal(err)
	}
	f, text, v, err := s.File(ctx)
	if err != nil || v != 1 || text != shopFile {
		t.Fatalf("%d %v", v, err)
	}
	d := f.Depot("Alder Yard")
	monday, err := ParseDay("2026-05-25")
	if err != nil {
		t.Fatal(err)
	}
	if d.OpenHours(monday) != 8 || d.OpenHours(monday+3) != 0 || d.OpenHours(monday+5) != 4 || d.OpenHours(monday+6) != 0 {
		t.Error("open hours by weekday and closed days")
	}
	m := &d.Technicians[1]
	if d.WorkHours(m, monday) != 6 || d.WorkHours(m, monday+1) != 0 || d.WorkHours(m, monday+8) != 8 || d.WorkHours(m, monday+2) != 0 {
		t.Error("a technician works on their days, not while away, not longer than the depot is open")
	}
	if d.EarlyShare != 0.10 || d.KeepFree != 0.15 || f.Depot("x") != nil {
		t.Errorf("%+v", d)
	}
	for name, wrong := range map[string]string{
		"empty": "depots: []", "unknown key": strings.Replace(shopFile, "closed:", "shut:", 1), "zone": strings.Replace(shopFile, "America/Denver", "Moon/Base", 1),
		"day": strings.Replace(shopFile, "2026-05-28", "28.5.", 1), "weekday": strings.Replace(shopFile, "sat: 4", "caturday: 4", 1),
		"two bays": strings.Replace(shopFile, `name: "2"`, `name: "1"`, 1),
	} {
		if _, err := s.SaveFile(ctx, wrong, "Priya", now); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	if _, _, v, _ := s.File(ctx); v != 1 {
		t.Errorf("a file at fault became version %d", v)
	}
}

// The calendar of the standard library is the oracle.
func TestDays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Day(rapid.IntRange(0, 40000).Draw(t, "day"))
		back, err := ParseDay(d.String())
		if err != nil || back != d || d.Weekday() != d.Time(time.UTC).Weekday() || DayOf(d.Time(time.UTC).Add(13*time.Hour), time.UTC) != d {
			t.Fatalf("%v %v %v", d, back, err)
		}
	})
}
