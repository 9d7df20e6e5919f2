package alerts

import (
	"strings"
	"testing"

	"marginline/alerts/shop"
	"marginline/analyze"
)

func fact(t *testing.T, day float64, f shop.Fact) shop.Fact {
	t.Helper()
	f.Unit, f.At = "217", on(day)
	if f.By == "" {
		f.By = "Priya"
	}
	if err := f.Check(on(60)); err != nil {
		t.Fatal(err)
	}
	return f
}

func deriveWith(facts []shop.Fact, signals ...analyze.Signal) []Alert {
	c := Case{Unit: van(), Names: someNames, Signals: signals, Facts: facts}
	for _, s := range signals {
		c.Series = append(c.Series, newest(s.Family, s.Key.Test, 20))
	}
	return Derive(c)
}

// Recent work is on the row and comes before the statistics; older work is not recent (14 days: common
// practice, no source).
func TestRecentWorkFirst(t *testing.T) {
	facts := []shop.Fact{
		fact(t, 1, shop.Fact{Kind: shop.Service, Level: "A"}),
		fact(t, 8, shop.Fact{Kind: shop.Repair, Text: "filler hose renewed on the road"}),
		fact(t, 19, shop.Fact{Kind: shop.Clear}),
	}
	a := only(t, deriveWith(facts, evap(analyze.Drift, 20)))
	if len(a.RecentWork) != 2 || a.RecentWork[0].Kind != shop.Clear || !strings.Contains(a.RecentWork[1].Words, "filler hose") {
		t.Errorf("%+v", a.RecentWork)
	}
	if again := only(t, deriveWith([]shop.Fact{facts[2], facts[0], facts[1]}, evap(analyze.Drift, 20))); len(again.RecentWork) != 2 || again.RecentWork[0] != a.RecentWork[0] {
		t.Error("the order of the facts matters")
	}
	s := NewSheet(WorkOrder{ID: "w-1", State: OrderApproved, Alerts: []Alert{a}}, van(), nil)
	text := s.Text()
	work, evidence := strings.Index(text, "LOOK THERE FIRST"), strings.Index(text, "EVIDENCE")
	if work < 0 || work > evidence || strings.Index(text, "SAFETY FIRST") > work {
		t.Errorf("order of the sheet: %d %d", work, evidence)
	}
}

// A smell of fuel stops the unit whatever the tests say, joins the row of the leak, and stands until the
// unit was worked on.
func TestReportStopsTheUnit(t *testing.T) {
	smell := fact(t, 12, shop.Fact{Kind: shop.Report, Symptom: "fuel_smell", By: "driver"})
	alone := only(t, deriveWith([]shop.Fact{smell}))
	if alone.Consequence != Stop || alone.Kind != Reported || alone.Family != "evap" || !strings.Contains(alone.Reason, "Do not start the engine") {
		t.Errorf("%+v", alone)
	}
	if v := advised(alone, van(), on(13)); v.Action != Hold {
		t.Errorf("%+v", v)
	}
	joined := only(t, deriveWith([]shop.Fact{smell}, evap(analyze.Drift, 10)))
	if joined.Consequence != Stop || len(joined.Tests) != 2 || joined.Tests[0] != "m3c.t01" {
		t.Errorf("%+v", joined)
	}
	fixed := fact(t, 15, shop.Fact{Kind: shop.Repair, Text: "filler neck renewed"})
	over := only(t, deriveWith([]shop.Fact{smell, fixed}))
	if over.EndedAt == nil || over.Consequence == Stop {
		t.Errorf("%+v", over)
	}
	after := only(t, deriveWith([]shop.Fact{smell, fixed}, evap(analyze.Drift, 10)))
	if after.Consequence == Stop || after.Kind != analyze.Drift {
		t.Errorf("the leak's own row stands without the report: %+v", after)
	}
	if noise := deriveWith([]shop.Fact{fact(t, 12, shop.Fact{Kind: shop.Report, Symptom: "noise"})}); len(noise) != 0 {
		t.Errorf("%+v", noise)
	}
}

// Somebody who muted the leak is overruled by a smell of fuel, and the history says so.
func TestReportReopensMuted(t *testing.T) {
	b, _ := open(t)
	a := only(t, deriveWith(nil, evap(analyze.Drift, 10)))
	sync(t, b, []Alert{a})
	if err := b.Mute(t.Context(), a.ID, "Tomas", "hot week", on(50)); err != nil {
		t.Fatal(err)
	}
	sync(t, b, deriveWith([]shop.Fact{fact(t, 12, shop.Fact{Kind: shop.Report, Symptom: "fuel_smell"})}, evap(analyze.Drift, 10)))
	got, history := get(t, b, a.ID)
	if got.State != Open || !strings.Contains(history[len(history)-1].Why, "reported by a driver") {
		t.Errorf("%+v %+v", got, history)
	}
}

func TestServiced(t *testing.T) {
	u := van()
	u.PMLast = on(-80)
	km := 50_000.0
	got := Serviced(u, []shop.Fact{fact(t, -10, shop.Fact{Kind: shop.Service, Level: "A", OdometerKm: &km}), fact(t, 2, shop.Fact{Kind: shop.Dongle, Device: "dgl-9"}), fact(t, -90, shop.Fact{Kind: shop.Service})})
	if !got.PMLast.Equal(on(-10)) || got.PMLastKm != km || got.Device != "dgl-9" {
		t.Errorf("%+v", got)
	}
}
