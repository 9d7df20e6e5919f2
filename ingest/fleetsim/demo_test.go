package fleetsim

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/ingest/obd"
	"marginline/ingest/report"
	"marginline/ingest/series"
)

func demoFleet(t *testing.T, end time.Time) *Fleet {
	t.Helper()
	f, err := New(Config{Seed: 1, End: end, Scenario: "demo", Delivery: true, Repairs: true})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// What the package comment promises of the demo is in its reports, whatever the season and the weekday.
func TestDemoStoryline(t *testing.T) {
	for _, end := range []time.Time{
		time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC), time.Date(2027, 2, 13, 18, 30, 0, 0, time.UTC),
	} {
		t.Run(end.Format(time.DateOnly), func(t *testing.T) { storyline(t, demoFleet(t, end), end) })
	}
}

type reading struct {
	at  time.Time
	res series.Result
}

func storyline(t *testing.T, f *Fleet, end time.Time) {
	roster, err := f.Roster()
	if err != nil {
		t.Fatal(err)
	}
	on := func(d float64) time.Time { return end.Add(days(d)) }
	units := map[string]string{} // by VIN
	for _, u := range roster.Units() {
		units[u.VIN] = u.Unit
	}
	watched := []string{"1103", "1109", "1119", "1111", "1115", "1120"}
	readings := map[string][]reading{}
	devices := map[string]map[string]int{} // unit that is read, dongle: since day -3
	var outage []*report.Report
	n, results, shuffled := 0, 0, false
	for s := range f.Reports() {
		n++
		r := s.Report
		name := units[r.VIN]
		if name == "" {
			name = strings.TrimPrefix(r.Device, "dgl-")
		}
		if r.Time.After(on(-2.5)) {
			if devices[name] == nil {
				devices[name] = map[string]int{}
			}
			devices[name][r.Device]++
		}
		if name == "2205" && r.Time.After(on(-40)) && r.Time.Before(on(-28)) && r.Time.Year() > 2000 {
			if s.Received.Before(on(-28)) {
				t.Fatalf("2205 has no coverage, yet its report of %s came at %s", r.Time, s.Received)
			}
			shuffled = shuffled || len(outage) > 0 && r.Time.Before(outage[len(outage)-1].Time)
			outage = append(outage, r)
		}
		if slices.Contains(watched, name) && r.Time.Year() > 2000 {
			_, rep := decode(t, s.Payload)
			for _, res := range rep.Results() {
				results++
				readings[name+"/"+res.Test] = append(readings[name+"/"+res.Test], reading{r.Time, res})
			}
		}
	}
	if n != f.Count() || n > 40000 {
		t.Errorf("%d reports, Count %d, want at most 40,000", n, f.Count())
	}
	if d := devices["1113"]; d["dgl-1116"] == 0 || d["dgl-1113"] != 0 {
		t.Errorf("1113 was read by %v, want only the dongle of 1116", d)
	}
	if len(devices["1116"]) != 0 {
		t.Errorf("1116 was read by %v, want silence", devices["1116"])
	}
	if len(outage) < 20 || !shuffled {
		t.Errorf("2205: backlog of %d reports, shuffled %t", len(outage), shuffled)
	}
	wild := 0
	for _, key := range []string{"1103/m3c.t92", "1109/m3c.t92", "1119/m3c.tb1"} {
		heat := hotWeek(end)
		for _, x := range readings[key] {
			if x.at.After(heat[0]) && x.at.Before(heat[1].Add(day)) && used(x.res, readings[key]) > 0.25 {
				wild++
				break
			}
		}
	}
	if wild < 2 {
		t.Errorf("%d of three units had an excursion in the hot week", wild)
	}
	before, after := limits(readings["1111/m21.t8a"], on(-60)), limits(readings["1111/m21.t8a"], on(-40))
	if ratio := after / before; math.IsNaN(ratio) || ratio > 0.98 {
		t.Errorf("1111: limit %g became %g", before, after)
	}
	var ran time.Time
	var last int32 = series.None
	for _, x := range readings["1115/m3c.tb1"] {
		if x.res.Raw.Value != last {
			ran, last = x.at, x.res.Raw.Value
		}
	}
	if ran.After(on(-45)) {
		t.Errorf("1115: leak test still ran on %s", ran.Format(time.DateOnly))
	}
	notRun := 0
	for key, all := range readings {
		for _, x := range all {
			if strings.HasPrefix(key, "1120/") && x.res.State == series.StateNotRun {
				notRun++
				if x.at.Before(on(-1.2)) {
					t.Errorf("%s reads as not run at %s, before the clear", key, x.at)
				}
			}
		}
	}
	if notRun < 5 {
		t.Errorf("1120: %d results read as not run after the clear", notRun)
	}
	for _, x := range f.Truth() {
		switch x.Unit {
		case "1118", "1112", "2207", "2212", "3302", "2208", "1110":
			if x.CodeAt.IsZero() {
				t.Errorf("%s: no code: %+v", x.Unit, x)
			}
			if open := x.Unit == "1118" || x.Unit == "2208" || x.Unit == "3302"; open != x.Repaired.IsZero() {
				t.Errorf("%s: repaired %s", x.Unit, x.Repaired)
			}
		case "1107", "3304", "1105", "2202", "2204", "1102", "1122", "2210", "3309":
			if !x.CodeAt.IsZero() || !x.LimitAt.After(end) {
				t.Errorf("%s: should still be open: %+v", x.Unit, x)
			}
		case "3307":
		default:
			t.Errorf("fault that is not in the script: %+v", x)
		}
		if x.Unit == "2208" && x.CodeAt.Sub(x.Onset) > 2*day {
			t.Errorf("2208: code %s after the onset", x.CodeAt.Sub(x.Onset))
		}
		if x.Cause == "" {
			t.Errorf("%s: no cause", x.Unit)
		}
	}
}

// used is the share of the distance from the usual level to the limit.
func used(r series.Result, all []reading) float64 {
	var values []float64
	for _, x := range all {
		if x.res.State == series.StateOK {
			values = append(values, x.res.Value)
		}
	}
	slices.Sort(values)
	level := values[len(values)/2]
	limit := r.Max
	if math.IsNaN(limit) {
		limit = r.Min
	}
	return (r.Value - level) / (limit - level)
}

// limits is the minimum in force at a time.
func limits(all []reading, at time.Time) float64 {
	min := math.NaN()
	for _, x := range all {
		if x.at.Before(at) && x.res.State == series.StateOK {
			min = x.res.Min
		}
	}
	return min
}

// A fact of the trade (common practice, no source): on buses before CAN, a leak pump's period of about 166
// counts against a limit of about 13, component with the top bit set, is a minimum and passes with a margin
// of about 0.9. Limits differ somewhat between calibrations.
func TestOlderBusLeakPump(t *testing.T) {
	f := demoFleet(t, testEnd)
	for s := range f.Reports() {
		if s.Device != "dgl-1121" {
			continue
		}
		for _, m := range s.Report.Messages {
			b := m.Data
			if b[0] != 0x46 || b[1] != 0x61 || b[2] != 0x80 {
				continue
			}
			res := obd.Decode(series.ISO9141, []obd.Message{{From: m.From, PGN: series.None, Data: b}}, nil).Results()[0]
			if res.Test != "t61.c00" || res.Passed != series.True || math.Abs(res.Margin-0.92) > 0.08 || !math.IsNaN(res.Max) {
				t.Errorf("%x: %s margin %.3f", m.Data, res.Test, res.Margin)
			}
			return
		}
	}
	t.Fatal("no leak pump result of unit 1121")
}
