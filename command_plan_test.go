package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/alerts/schedule"
)

// yardFile is a shop file for the depots of an invented fleet, open every day of the week.
func yardFile(t *testing.T, data string) string {
	t.Helper()
	zones := map[string]string{}
	for _, r := range rows(t, data, "select depot, max(time_zone) z from units group by 1") {
		zones[fmt.Sprint(r["depot"])] = fmt.Sprint(r["z"])
	}
	return yards(t, zones)
}

// yardFileOf is yardFile of an open app.
func yardFileOf(t *testing.T, a *app) string {
	t.Helper()
	zones := map[string]string{}
	for _, u := range a.roster.Load().Units() {
		zones[u.Depot] = u.TimeZone
	}
	return yards(t, zones)
}

func yards(t *testing.T, zones map[string]string) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("depots:\n")
	for _, name := range slices.Sorted(maps.Keys(zones)) {
		fmt.Fprintf(&b, "  - name: %q\n    time_zone: %s\n    bays: [{name: \"1\"}, {name: \"2\"}]\n    open: {mon: 9, tue: 9, wed: 9, thu: 9, fri: 9, sat: 9, sun: 9}\n    technicians: [{name: Wes}, {name: Marisol}]\n", name, zones[name])
	}
	return write(t, "depots.yaml", b.String())
}

func readText(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func showOrder(t *testing.T, data, id string) (o struct {
	alerts.WorkOrder
	History []alerts.OrderEntry `json:"history"`
}) {
	t.Helper()
	if err := json.Unmarshal([]byte(must(t, "orders", "show", id, "--data", data, "-o", "json")), &o); err != nil {
		t.Fatal(err)
	}
	return o
}

func showPlan(t *testing.T, data string, more ...string) (p schedule.Plan) {
	t.Helper()
	if err := json.Unmarshal([]byte(must(t, append([]string{"plan", "show", "--data", data, "-o", "json"}, more...)...)), &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// From a driver's report over a proposal, a visit and its outcome to a closed order, on the command line.
func TestPlanToOutcome(t *testing.T) {
	data, units := smallFleet(t)
	if _, errs, code := try(t, "plan", "show", "--data", data); code != exitFailed || !strings.Contains(errs, "no shop file yet") {
		t.Fatal(errs)
	}
	must(t, "shop", "file", yardFile(t, data), "--data", data)
	must(t, "shop", "add", "report", units[0], "--symptom", "fuel_smell", "--by", "driver", "--data", data)
	list := listAlerts(t, data)
	p := showPlan(t, data)
	var visit *schedule.Visit
	for i := range p.Visits {
		if p.Visits[i].Unit == units[0] && p.Visits[i].Job != "" {
			visit = &p.Visits[i]
		}
	}
	if visit == nil || visit.Job != list[0].ID || !strings.Contains(visit.Reason, "must not be dispatched") {
		t.Fatalf("%+v\n%+v", visit, p)
	}
	if closed := showPlan(t, data, "--what-if", write(t, "shut.yaml", strings.ReplaceAll(shopFileExample, "Alder Yard", "Nowhere"))); len(closed.Visits) != 0 {
		t.Errorf("what if the depots were not there: %+v", closed.Visits)
	}
	out := must(t, "plan", "accept", visit.Job, "--by", "Odalys", "--data", data)
	id := strings.SplitN(out, ":", 2)[0]
	o := showOrder(t, data, id)
	if o.State != alerts.OrderScheduled || o.Slot == nil || o.Slot.Day != visit.Day || o.Slot.Who != "Odalys" {
		t.Errorf("%+v", o)
	}
	if again := showPlan(t, data); again.Visits[0].Kind == "" {
		t.Error("no visits")
	} else {
		for _, v := range again.Visits {
			if v.Job == o.ID && (v.Kind != schedule.ByPerson || v.Day != visit.Day) {
				t.Errorf("what was accepted moved: %+v", v)
			}
		}
	}
	must(t, "orders", "arrive", id, "--data", data)
	if _, errs, code := try(t, "orders", "no-show", id, "--data", data); code != exitFailed || !strings.Contains(errs, "cannot no_show") {
		t.Error(code, errs)
	}
	args := []string{"orders", "finish", id, "--found", "found", "--cause", "hose off the filler neck", "--correction", "hose on, clamp new", "--hours", "0.6", "--by", "Wes", "--key", "k1", "--data", data}
	if _, errs, code := try(t, args...); code != exitFailed || !strings.Contains(errs, "codes were cleared") {
		t.Error(code, errs)
	}
	at := o.CreatedAt.Add(time.Hour).UTC().Format(time.RFC3339)
	args = append(args, "--codes_cleared", "no", "--reprogrammed", "no", "--date", at)
	must(t, args...)
	must(t, args...)
	o = showOrder(t, data, id)
	if len(o.Outcomes) != 1 || o.State != alerts.OrderVerifying || *o.Last().Hours != 0.6 {
		t.Errorf("%+v", o)
	}
	for _, a := range listAlerts(t, data) {
		if a.ID == list[0].ID {
			t.Errorf("the unit still must not leave: %+v", a)
		}
	}
	must(t, "orders", "close", id, "--reason", "no smell after two days", "--data", data)
	r := rows(t, data, "select state, outcome, note, shop from work_orders")
	if len(r) != 1 || r[0]["state"] != "closed" || r[0]["outcome"] != "found" || !strings.Contains(fmt.Sprint(r[0]["note"]), "clamp new") || r[0]["shop"] == nil {
		t.Errorf("%v", r)
	}
	if sheet := must(t, "orders", "print", id, "--data", data); strings.Index(sheet, "SAFETY FIRST") > strings.Index(sheet, "CHECKS") {
		t.Error(sheet)
	}
}
