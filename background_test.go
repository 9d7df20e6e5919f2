package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/dashboards"
	"marginline/ingest/series"
)

// quantile is that of a sorted sample by linear interpolation (Hyndman and Fan 1996, type 7), the way DuckDB
// documents quantile_cont; from memory.
func quantile(sorted []float64, p float64) float64 {
	h := p * float64(len(sorted)-1)
	i := int(h)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// What stands around a course is what the readings say, counted here once more in Go.
func TestAroundIsWhatTheReadingsSay(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	reports, roster := simulated(t, 16, 40, 5)
	must(t, "import", "--data", data, "--roster", roster, reports)
	key := rows(t, data, `select any_value(unit) as unit, ecu, test, min, max from readings join units using (unit) where readings.state = 'ok'
		group by ecu, test, min, max, engine_family order by count(distinct unit) desc, ecu, test limit 1`)[0]
	limit := func(v any) float64 {
		if x, ok := v.(float64); ok {
			return x
		}
		return math.NaN()
	}
	of := dashboards.Peers{Key: series.Key{Unit: key["unit"].(string), ECU: key["ecu"].(string), Test: key["test"].(string)}, Min: limit(key["min"]), Max: limit(key["max"])}
	type reading struct {
		unit string
		week time.Time
	}
	values := map[reading][]float64{}
	conditions := map[string][2]any{}
	for _, r := range rows(t, data, fmt.Sprintf(`select unit, engine_family, read_at, report_id, value, min, max, fuel_level_pct, ambient_c from readings join units using (unit)
		where ecu = '%s' and test = '%s' and readings.state = 'ok' and clock_ok and engine_family = (select engine_family from units where unit = '%s')`, of.Key.ECU, of.Key.Test, of.Key.Unit)) {
		if r["unit"] == of.Key.Unit {
			conditions[r["report_id"].(string)] = [2]any{r["fuel_level_pct"], r["ambient_c"]}
			continue
		}
		if same := func(a any, b float64) bool { return a == nil && math.IsNaN(b) || a == b }; !same(r["min"], of.Min) || !same(r["max"], of.Max) {
			continue
		}
		at, err := time.Parse(time.RFC3339, r["read_at"].(string))
		if err != nil {
			t.Fatal(err)
		}
		monday := at.UTC().Truncate(24*time.Hour).AddDate(0, 0, -(int(at.UTC().Weekday())+6)%7)
		k := reading{r["unit"].(string), monday}
		values[k] = append(values[k], r["value"].(float64))
	}
	weeks := map[time.Time][]float64{}
	for k, v := range values {
		slices.Sort(v)
		weeks[k.week] = append(weeks[k.week], quantile(v, 0.5))
	}
	a := opened(t, data)
	defer a.close()
	got, err := around{a}.Peers(t.Context(), of)
	if err != nil || len(got) != len(weeks) || len(got) < 4 {
		t.Fatalf("%v: %d weeks, counted %d", err, len(got), len(weeks))
	}
	for _, w := range got {
		want := weeks[w.From]
		slices.Sort(want)
		if w.Units != len(want) || w.Units == 0 {
			t.Errorf("%s: %d units, counted %d", w.From, w.Units, len(want))
			continue
		}
		for p, v := range map[float64]float64{0.1: w.Low, 0.5: w.Mid, 0.9: w.High} {
			if math.Abs(v-quantile(want, p)) > 1e-9*math.Abs(v) {
				t.Errorf("%s: %v quantile %v, counted %v", w.From, p, v, quantile(want, p))
			}
		}
	}
	read, err := around{a}.Conditions(t.Context(), of.Key.Unit, []string{"fuel_level_pct", "ambient_c"})
	if err != nil || len(conditions) == 0 {
		t.Fatal(err, len(conditions))
	}
	for id, want := range conditions {
		for i := range want {
			if v := read[id][i]; want[i] == nil && !math.IsNaN(v) || want[i] != nil && v != want[i] {
				t.Errorf("report %s: %v, the readings say %v", id, read[id], want)
			}
		}
	}
}

// Codes that were cleared and a dongle that was moved are seen in the reports: service 01, PID 30 (warm-ups since
// codes were cleared) and PID 31 (distance since, 2 bytes) of SAE J1979.
func TestReportsTellOfClearsAndSwaps(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "d")
	var b strings.Builder
	for i, r := range []struct {
		device   string
		warm, km int
	}{{"dgl-1", 40, 900}, {"dgl-1", 41, 930}, {"dgl-1", 0, 2}, {"dgl-1", 3, 40}, {"dgl-2", 4, 60}} {
		fmt.Fprintf(&b, `{"id":"r%d","device":"%s","vin":"9ZZTEST74RA000501","time":"2026-03-%02dT06:00:00Z","bus":"can","messages":[{"from":"7E8","data":"41 30 %02X 31 %02X %02X"}]}`+"\n",
			i, r.device, i+1, r.warm, r.km>>8, r.km&0xff)
	}
	reports, roster := filepath.Join(dir, "r.ndjson"), filepath.Join(dir, "roster.csv")
	for name, text := range map[string]string{reports: b.String(), roster: "unit,vin\n501,9ZZTEST74RA000501\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	must(t, "import", "--data", data, "--roster", roster, reports)
	a := opened(t, data)
	defer a.close()
	use, err := uses{a}.Use(t.Context(), "501")
	if err != nil {
		t.Fatal(err)
	}
	day := func(d int) time.Time { return time.Date(2026, 3, d, 6, 0, 0, 0, time.UTC) }
	if len(use.Clears) != 1 || !use.Clears[0].Equal(day(3)) || len(use.Swaps) != 1 || use.Swaps[0] != (dashboards.Swap{At: day(5), From: "dgl-1", To: "dgl-2"}) || use.WarmupsSinceClear != 4 {
		t.Errorf("%+v", use)
	}
}
