package obd

import (
	"encoding/json"
	"strings"
	"testing"

	"marginline/ingest/series"
)

// The JSON of a test result: every column of readings in its order, null where it cannot be known.
func TestJSON(t *testing.T) {
	rep := call(t, series.CAN, "7E8 41 2F 80", "7E8 46 01 05 10 0048 0000 0060", "7E8 46 21 89 20 0000 0000 0000", "7E8 55", "7E8 43 01 0420", "7E8 7F 06 78",
		"7E8 41 01 82 07 65 04", "7E8 49 08 01 0001", "7E8 49 02 01 FFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFF", "7E8 49 06 01 1A2B3C4D", "7E8 46 00 C0000001")
	b, err := json.Marshal(rep)
	if err != nil {
		t.Fatal(err)
	}
	var items []map[string]any
	if err := json.Unmarshal(b, &items); err != nil {
		t.Fatal(err)
	}
	if len(items) != 11 {
		t.Fatalf("%d items", len(items))
	}
	var got []string
	for _, it := range items {
		got = append(got, it["kind"].(string))
		if s, _ := it["explanation"].(string); s == "" && it["kind"] != "error" {
			t.Errorf("no explanation: %v", it)
		}
	}
	if s := strings.Join(got, " "); s != "context result result error codes negative readiness counters vin calibration support" {
		t.Error(s)
	}
	const columns = `kind read_at clock_ok unit vin device report_id bus ecu cal_id test mid tid cid spn fmi uas slot dtc raw_value raw_min raw_max value min max ` +
		`unit_of_measure state passed margin odometer_km fuel_level_pct ambient_c coolant_c barometric_kpa run_time_s warmups_since_clear distance_since_clear_km explanation`
	var names []string
	for _, f := range rep.Fields(&rep.Items[1]) {
		names = append(names, f.Name)
	}
	if s := strings.Join(names, " "); s != columns {
		t.Errorf("%s\nwant %s", s, columns)
	}
	want := map[string]any{
		"kind": "result", "bus": "can", "ecu": "7e8", "test": "m01.t05", "mid": 1.0, "tid": 5.0, "uas": 16.0, "raw_value": 72.0, "raw_min": 0.0, "raw_max": 96.0,
		"value": 72.0, "max": 96.0, "unit_of_measure": "ms", "state": "ok", "passed": true, "margin": 0.25, "fuel_level_pct": 12800 / 255.0,
	}
	for _, name := range names {
		if name != "explanation" && items[1][name] != want[name] {
			t.Errorf("%s: %v, want %v", name, items[1][name], want[name])
		}
	}
	if items[2]["state"] != "not_run" || items[2]["passed"] != nil || items[2]["margin"] != nil || items[2]["raw_max"] != 0.0 {
		t.Error(items[2])
	}
	if s := items[3]["reason"].(string); !strings.Contains(s, "55") || items[3]["message"] != 4.0 {
		t.Error(items[3])
	}
	if c := items[4]["codes"].([]any)[0].(map[string]any); c["code"] != "P0420" || c["kind"] != "confirmed" || c["family"] != "catalyst" {
		t.Error(items[4])
	}
	again, _ := json.Marshal(rep)
	if string(again) != string(b) {
		t.Error("not the same twice")
	}
}
