package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
)

// smallFleet is a data folder with the history of an invented fleet of three units, and their names.
func smallFleet(t *testing.T) (data string, units []string) {
	t.Helper()
	dir := t.TempDir()
	data = filepath.Join(dir, "data")
	reports, roster := filepath.Join(dir, "r.ndjson"), filepath.Join(dir, "roster.csv")
	must(t, "simulate", "-o", reports, "--roster", roster, "--units", "3", "--days", "5", "--seed", "4")
	must(t, "import", "--data", data, "--roster", roster, reports)
	for _, r := range rows(t, data, "select unit from units order by unit") {
		units = append(units, r["unit"].(string))
	}
	return data, units
}

type listedAlert struct {
	ID, Unit, Kind, Consequence, State string
	RecentWork                         []struct{ Words string } `json:"recent_work"`
}

func listAlerts(t *testing.T, data string) []listedAlert {
	t.Helper()
	var list []listedAlert
	if err := json.Unmarshal([]byte(must(t, "alerts", "list", "--data", data, "-o", "json")), &list); err != nil {
		t.Fatal(err)
	}
	return list
}

func TestShopFacts(t *testing.T) {
	data, units := smallFleet(t)
	day := rows(t, data, "select strftime(max(read_at), '%Y-%m-%d') d from readings where clock_ok")[0]["d"].(string)
	file := write(t, "facts.csv", "kind,unit,date,text,level\nservice,"+units[0]+","+day+",,A\nrepair,"+units[1]+","+day+",hose renewed,\nrepair,nobody,"+day+",x,\n")
	_, errs, code := try(t, "shop", "import", "--data", data, "--by", "Priya", file)
	if code != exitOK || !strings.Contains(errs, "2 facts taken, 0 were known, 1 rows left out") || !strings.Contains(errs, `line 4, unit: "nobody" is not on the roster`) {
		t.Fatalf("%d %s", code, errs)
	}
	if _, errs, _ = try(t, "shop", "import", "--data", data, "--by", "Priya", file); !strings.Contains(errs, "0 facts taken, 2 were known") {
		t.Error(errs)
	}
	before := len(listAlerts(t, data))
	id := strings.TrimSpace(must(t, "shop", "add", "report", units[2], "--symptom", "fuel_smell", "--by", "driver", "--text", "at the filler", "--data", data))
	list := listAlerts(t, data)
	if len(list) != before+1 || list[0].Unit != units[2] || list[0].Consequence != "stop" || list[0].Kind != "reported" || len(list[0].RecentWork) != 1 {
		t.Errorf("%+v", list)
	}
	if out := must(t, "shop", "list", "--unit", units[2], "--data", data); !strings.Contains(out, "smell of fuel reported (driver): at the filler") {
		t.Error(out)
	}
	if _, _, code := try(t, "shop", "retract", id, "--data", data); code != exitUsage {
		t.Error("taken back without a reason")
	}
	must(t, "shop", "retract", id, "--reason", "the unit beside it", "--data", data)
	if got := len(listAlerts(t, data)); got != before {
		t.Errorf("%d alerts after the report was taken back, want %d", got, before)
	}
	for _, wrong := range [][]string{{"report", units[2], "--symptom", "wobble"}, {"service", "nobody"}, {"part"}, {"service", units[0], "--date", "soon"}} {
		if _, errs, code := try(t, append(append([]string{"shop", "add"}, wrong...), "--data", data)...); code != exitFailed || errs == "" {
			t.Errorf("%v: %d %s", wrong, code, errs)
		}
	}
	if _, errs, code := try(t, "shop", "file", "--data", data); code != exitFailed || !strings.Contains(errs, "no shop file yet") {
		t.Error(code, errs)
	}
	must(t, "shop", "file", "--data", data, write(t, "depots.yaml", shopFileExample))
	if out := must(t, "shop", "file", "--data", data); out != shopFileExample {
		t.Error(out)
	}
}
