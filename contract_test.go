package main

import (
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

// decoded runs decode and returns its items.
func decoded(t *testing.T, wantCode int, args ...string) []map[string]any {
	t.Helper()
	out, errs, code := try(t, append([]string{"decode", "-o", "json"}, args...)...)
	if code != wantCode {
		t.Fatalf("decode %v: exit %d, want %d\n%s", args, code, wantCode, errs)
	}
	var v []map[string]any
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatalf("decode %v: %v\n%s", args, err, out)
	}
	return v
}

func near(t *testing.T, what string, got any, want float64) {
	t.Helper()
	f, ok := got.(float64)
	if !ok || math.Abs(f-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// The worked example of ISO 15031-5 (from memory): one message with a constant, a test with only a maximum
// and a test with only a minimum.
func TestDecodeWorkedExample(t *testing.T) {
	items := decoded(t, exitOK, "--bus", "can",
		"46 01 01 0A 0B B0 0B B0 0B B0 01 05 10 00 48 00 00 00 60 01 85 24 00 96 00 4B FF FF")
	if len(items) != 3 {
		t.Fatalf("%d items, want 3", len(items))
	}
	a, b, c := items[0], items[1], items[2]
	near(t, "0BB0 at 0.122 mV a bit", a["value"], 2992*0.122)
	if a["state"] != "constant" || a["margin"] != nil || a["unit_of_measure"] != "mV" {
		t.Errorf("first: %v", a)
	}
	near(t, "switch time", b["value"], 72)
	near(t, "its maximum", b["max"], 96)
	near(t, "its margin", b["margin"], 0.25)
	if b["min"] != nil || b["passed"] != true || b["unit_of_measure"] != "ms" {
		t.Errorf("second: %v", b)
	}
	near(t, "counts", c["value"], 150)
	near(t, "their minimum", c["min"], 75)
	near(t, "their margin", c["margin"], 0.5)
	if c["max"] != nil {
		t.Errorf("third: %v", c)
	}
}

// On an older bus the top bit of the component id says which limit is sent: set = minimum (common practice,
// no source). The same message read as a maximum would be a failure.
func TestDecodeOlderBusMinimum(t *testing.T) {
	items := decoded(t, exitOK, "--bus", "iso9141", "--from", "10", "46 61 80 00 A6 00 0D")
	if len(items) != 1 {
		t.Fatalf("%d items, want 1", len(items))
	}
	r := items[0]
	near(t, "minimum", r["min"], 13)
	near(t, "value", r["value"], 166)
	near(t, "margin", r["margin"], 1-13.0/166)
	if r["passed"] != true || r["test"] != "t61.c00" || r["max"] != nil || r["unit_of_measure"] != "1" {
		t.Errorf("%v", r)
	}
}

func TestDecodeKeepsWhatDecodes(t *testing.T) {
	items := decoded(t, exitFailed, "--bus", "can", "46 21 89 20 01 40 00 80 FF FF", "46 21 89 20 01 40 00 80", "55 00")
	if len(items) != 3 || items[0]["kind"] != "result" || items[1]["kind"] != "error" || items[2]["kind"] != "error" {
		t.Fatalf("%v", items)
	}
	for _, it := range items[1:] {
		if s, _ := it["reason"].(string); s == "" {
			t.Errorf("no reason: %v", it)
		}
	}
}

func TestExitCodes(t *testing.T) {
	for _, c := range []struct {
		args string
		code int
	}{
		{"--help", exitOK},
		{"decode --help", exitOK},
		{"nonsense", exitUsage},
		{"decode 46", exitUsage},
		{"decode --bus tram 46", exitUsage},
		{"decode --bus can zz", exitUsage},
		{"alerts list -o xml", exitUsage},
		{"alerts list --as-of yesterday", exitUsage},
		{"serve --config /does/not/exist.yaml", exitUsage},
		{"enroll", exitUsage},
		{"backtest --set treshold=1", exitUsage},
		{"check report /does/not/exist.json", exitFailed},
	} {
		_, errs, code := try(t, strings.Fields(c.args)...)
		if code != c.code {
			t.Errorf("%s: exit %d, want %d\n%s", c.args, code, c.code, errs)
		}
		if code != exitOK && strings.TrimSpace(errs) == "" {
			t.Errorf("%s: fails without a word", c.args)
		}
	}
}

// Every command has help with an example.
func TestEveryCommandHasAnExample(t *testing.T) {
	var walk func(path []string)
	root := rootCommand()
	walk = func(path []string) {
		cmd, _, err := root.Find(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range cmd.Commands() {
			if c.Hidden || c.Name() == "help" || c.Name() == "completion" {
				continue
			}
			if c.Example == "" || c.Short == "" {
				t.Errorf("%s: no example or no short help", strings.Join(append(path, c.Name()), " "))
			}
			walk(append(append([]string{}, path...), c.Name()))
		}
	}
	walk(nil)
}

const report1 = `{"id":"r-1","device":"dgl-1","vin":"9ZZTEST74RA000123","time":"2026-03-02T06:14:09Z","bus":"can","odometer_km":48211.4,
"messages":[{"from":"7E8","data":"46 21 89 20 01 40 00 80 FF FF"},{"from":"7E8","data":"41 2F 80"}]}`

func oneLine(s string) string { return strings.ReplaceAll(s, "\n", "") + "\n" }

// Garbage, truncated, unknown-service and wrong-VIN reports end in the quarantine with their raw bytes,
// counted, and good reports before and after them are stored.
func TestBadReportsAreQuarantined(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	roster := write(t, "roster.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\nU2,9ZZTEST7XRA000014,dgl-2\n")
	good2 := strings.NewReplacer("r-1", "r-2", "06:14:09", "07:14:09").Replace(report1)
	reports := write(t, "reports.ndjson", oneLine(report1)+
		"\x00\x01garbage\n"+
		`{"id":"r-3","device":"dgl-1","time":"2026-03-02T08:00:00Z","bus":"can"`+"\n"+ // truncated
		`{"id":"r-4","device":"dgl-1","time":"2026-03-02T08:00:00Z","bus":"can","messages":[{"from":"7E8","data":"5500"},{"from":"7E8","data":"46 21 89 20 01 40 00"},{"from":"7E8","data":"46 01 05 10 00 48 00 00 00 60"}]}`+"\n"+
		`{"id":"r-5","device":"dgl-2","vin":"9ZZTEST74RA000123","time":"2026-03-02T09:00:00Z","bus":"can","messages":[{"from":"7E8","data":"41 2F 80"}]}`+"\n"+ // one unit's VIN, another's dongle
		`{"id":"r-6","device":"dgl-1","vin":"9ZZTEST74RA000123","time":"2026-03-02T09:00:00Z","bus":"can","messages":[{"from":"7E8","data":"49 02 01 39 5A 5A 54 45 53 54 37 58 52 41 30 30 30 30 31 34"}]}`+"\n"+ // the vehicle says another VIN
		oneLine(good2))
	must(t, "import", "--data", data, "--roster", roster, reports)

	if n := one(t, data, "select count(*) from readings where report_id in ('r-1', 'r-2', 'r-4')"); n != 3 {
		t.Errorf("%v readings of the good messages, want 3", n)
	}
	if n := one(t, data, "select count(*) from reports where report_id in ('r-5', 'r-6', 'r-3')"); n != 0 {
		t.Errorf("%v refused reports are stored", n)
	}
	var list []map[string]any
	if err := json.Unmarshal([]byte(must(t, "quarantine", "list", "--data", data, "-o", "json")), &list); err != nil {
		t.Fatal(err)
	}
	if len(list) != 6 {
		t.Fatalf("%d entries, want 6: %v", len(list), list)
	}
	reasons := map[string]int{}
	for _, e := range list {
		reasons[e["reason"].(string)]++
		shown := must(t, "quarantine", "show", e["id"].(string), "--data", data)
		if !strings.Contains(shown, "raw_hex") {
			t.Errorf("%v: no raw bytes\n%s", e, shown)
		}
	}
	t.Log(reasons)
	garbage := must(t, "quarantine", "show", list[0]["id"].(string), "--data", data)
	if !strings.Contains(garbage, "000167617262616765") {
		t.Errorf("the garbage is not kept byte for byte:\n%s", garbage)
	}
	// A second import of the same file changes nothing.
	must(t, "import", "--data", data, reports)
	if n := one(t, data, "select count(*) from readings"); n != 3 {
		t.Errorf("%v readings after the same import again, want 3", n)
	}
}

// The columns of readings are the contract's, in its order, with its types.
func TestReadingsColumns(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	roster := write(t, "roster.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\n")
	must(t, "import", "--data", data, "--roster", roster, write(t, "r.ndjson", oneLine(report1)))
	out := must(t, "sql", "--data", data, "-o", "csv", "select * from readings")
	got := strings.Split(strings.SplitN(out, "\n", 2)[0], ",")
	want := strings.Fields(`read_at clock_ok unit vin device report_id bus ecu cal_id test mid tid cid spn fmi uas slot dtc
		raw_value raw_min raw_max value min max unit_of_measure state passed margin odometer_km fuel_level_pct ambient_c
		coolant_c barometric_kpa run_time_s warmups_since_clear distance_since_clear_km`)
	if strings.TrimSpace(strings.Join(got, " ")) != strings.Join(want, " ") {
		t.Errorf("columns\n%v, want\n%v", got, want)
	}
	r := rows(t, data, "select * from readings")[0]
	if r["read_at"] != "2026-03-02T06:14:09Z" || r["unit"] != "U1" || r["ecu"] != "7e8" || r["test"] != "m21.t89" || r["clock_ok"] != true || r["cal_id"] != nil {
		t.Errorf("%v", r)
	}
	near(t, "value", r["value"], 320*0.0039062)
	near(t, "margin", r["margin"], 0.6)
	near(t, "odometer", r["odometer_km"], 48211.4)
	near(t, "fuel", r["fuel_level_pct"], 128*100/255.0)
	// A roster that comes later, with other numbers painted on the units, is used at once.
	must(t, "import", "--data", data, "--roster", write(t, "roster.csv", "unit,vin\nV9,9ZZTEST74RA000123\n"))
	if r := rows(t, data, "select unit from readings"); r[0]["unit"] != "V9" {
		t.Errorf("%v", r)
	}
}
