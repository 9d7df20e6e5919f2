package sql_test

import (
	"strings"
	"testing"

	"marginline/sql"
)

// contract is the view readings as the project promises it: names, order and types.
const contract = `read_at TIMESTAMP, clock_ok BOOLEAN, unit VARCHAR, vin VARCHAR, device VARCHAR, report_id VARCHAR,
	bus VARCHAR, ecu VARCHAR, cal_id VARCHAR, test VARCHAR, mid INTEGER, tid INTEGER, cid INTEGER, spn INTEGER, fmi INTEGER,
	uas INTEGER, slot INTEGER, dtc VARCHAR, raw_value INTEGER, raw_min INTEGER, raw_max INTEGER, value DOUBLE, min DOUBLE,
	max DOUBLE, unit_of_measure VARCHAR, state VARCHAR, passed BOOLEAN, margin DOUBLE, odometer_km DOUBLE,
	fuel_level_pct DOUBLE, ambient_c DOUBLE, coolant_c DOUBLE, barometric_kpa DOUBLE, run_time_s DOUBLE,
	warmups_since_clear DOUBLE, distance_since_clear_km DOUBLE`

func describe(t *testing.T, e *sql.Engine, src sql.Source, view string) string {
	t.Helper()
	r, err := e.Query(t.Context(), src, "DESCRIBE "+view)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, row := range r.Rows {
		out = append(out, row[0].(string)+" "+row[1].(string))
	}
	return strings.Join(out, ", ")
}

func TestReadings_Contract(t *testing.T) {
	e, f := open(t), newFixture(t)
	want := strings.Join(strings.Fields(contract), " ")
	if got := describe(t, e, f, "readings"); got != want {
		t.Errorf("without a file:\n got %s\nwant %s", got, want)
	}
	if got := rows(t, e, f, "select * from readings"); got != "" {
		t.Errorf("an empty lake has rows: %s", got)
	}
	f.add("readings", "select timestamp '2026-03-02 06:14:09.5' as read_at, true as clock_ok, 'd1' as device, 'm21.t89' as test, 0.25 as margin")
	if got := describe(t, e, f, "readings"); got != want {
		t.Errorf("with a file:\n got %s\nwant %s", got, want)
	}
	if got := rows(t, e, f, "select read_at, clock_ok, device, test, margin, unit from readings"); got != "2026-03-02T06:14:09.5Z,true,d1,m21.t89,0.25,\n" {
		t.Errorf("row: %s", got)
	}
	if f.pins != 0 {
		t.Errorf("%d pins not released", f.pins)
	}
}

func TestViews_DictionaryIsTheTruth(t *testing.T) {
	e, f := open(t), newFixture(t)
	f.add("codes", "select 'r1' as report_id, 'P0420' as code")
	f.add("reports", "select 'r1' as report_id")
	for _, v := range sql.Views() {
		var want []string
		for _, c := range v.Columns {
			want = append(want, c.Name+" "+c.Type)
			if c.Meaning == "" || c.NullRule == "" {
				t.Errorf("%s.%s: no meaning or null rule", v.Name, c.Name)
			}
		}
		if got := describe(t, e, f, v.Name); got != strings.Join(want, ", ") {
			t.Errorf("%s:\n got %s\nwant %s", v.Name, got, strings.Join(want, ", "))
		}
		if v.Meaning == "" {
			t.Errorf("%s: no meaning", v.Name)
		}
	}
}

func TestMacros_DictionaryIsTheTruth(t *testing.T) {
	e, f := open(t), newFixture(t)
	for _, v := range sql.Macros() {
		var args, want []string
		for _, p := range v.Params {
			if p.Default == "" {
				args = append(args, "'x'")
			}
			if p.Meaning == "" || p.Type == "" {
				t.Errorf("%s: parameter %s: no meaning or type", v.Name, p.Name)
			}
		}
		for _, c := range v.Columns {
			want = append(want, c.Name+" "+c.Type)
			if c.Meaning == "" || c.NullRule == "" || c.Since == "" {
				t.Errorf("%s.%s: no meaning, null rule or since", v.Name, c.Name)
			}
		}
		if got := describe(t, e, f, "SELECT * FROM "+v.Name+"("+strings.Join(args, ", ")+")"); got != strings.Join(want, ", ") {
			t.Errorf("%s:\n got %s\nwant %s", v.Name, got, strings.Join(want, ", "))
		}
		if v.Meaning == "" {
			t.Errorf("%s: no meaning", v.Name)
		}
	}
}
