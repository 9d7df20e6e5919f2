package dashboards

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/obd"
	"marginline/ingest/series"
)

// reports is a history in memory.
type reports []*series.Poll

func (h reports) Replay(_ context.Context, q series.Replay) error {
	polls := slices.SortedFunc(slices.Values(h), func(a, b *series.Poll) int { return a.ReadAt.Compare(b.ReadAt) })
	for _, p := range polls {
		if slices.Contains(q.VINs, p.VIN) && (q.Until.IsZero() || !p.ReadAt.After(q.Until)) {
			if err := q.Each(q.Unit(p.VIN, p.Device), p); err != nil {
				return err
			}
		}
	}
	return nil
}

type monitors struct{}

func (monitors) Family(r *series.Result) string { return obd.Family(r) }
func (monitors) CodeFamily(code string) string  { return obd.CodeFamily(code) }
func (monitors) Group(r *series.Result) int     { return obd.Group(r) }

// catalystOf is a result of a catalyst test, lower limit only: monitor $21, test $89, raw counts.
func catalystOf(raw int32) series.Result {
	r := series.NewResult()
	r.ECU, r.Test, r.CalID, r.MID, r.TID, r.UAS, r.UnitOfMeasure = "7e8", "m21.t89", "CAL-1", 0x21, 0x89, 0x01, "1"
	r.Raw = series.Raw{Value: raw, Min: 400, Max: 0xFFFF}
	r.Value, r.Min = float64(raw), 400
	v := series.Judge(series.Unsigned, r.Raw, true)
	r.State, r.Passed, r.Margin = v.State, v.Passed, v.Margin
	return r
}

// The real detector, the real book and the pages over them: one unit wears, one does not, and a third is
// on the roster only.
func TestPagesOverTheRealDetector(t *testing.T) {
	units := []fleet.Unit{fleet.NewUnit("71"), fleet.NewUnit("72"), fleet.NewUnit("73")}
	for i := range units {
		units[i].VIN, units[i].Depot, units[i].TimeZone, units[i].Fuel = fmt.Sprintf("9ZZTEST74RA00007%d", i+1), "Tannery Row", "America/Chicago", "petrol"
	}
	roster, err := fleet.New(units)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(7, 1))
	var history reports
	const days = 150
	for d := range days {
		for i := range 2 {
			level := 900.0
			if i == 0 && d > 90 {
				level -= 7.0 * float64(d-90)
			}
			history = append(history, &series.Poll{ReportID: fmt.Sprintf("r%d-%d", d, i), VIN: units[i].VIN, Bus: series.CAN, ClockOK: true, Context: series.NoContext(),
				ReadAt: today.AddDate(0, 0, d-days).Add(time.Duration(i) * time.Minute), Results: []series.Result{catalystOf(int32(level + 12*rng.NormFloat64()))}})
		}
	}
	runner := analyze.NewRunner(history, func() *fleet.Roster { return roster }, monitors{}, analyze.DefaultSettings(), quiet())
	if err := runner.Rebuild(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	book := empty(t)
	for _, u := range roster.Units() {
		derived := alerts.Derive(alerts.Case{Unit: *u, Signals: runner.Signals(u.Unit), Series: runner.Series(u.Unit), Names: words})
		if _, err := book.Sync(t.Context(), u.Unit, derived); err != nil {
			t.Fatal(err)
		}
	}
	s, err := New(DefaultConfig(), Deps{Book: book, Series: runner, Roster: roster, Names: words, Now: func() time.Time { return today }}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	whole := &site{Server: s}
	list, err := book.List(t.Context(), false)
	if err != nil || len(list) != 1 || list[0].Unit != "71" {
		t.Fatalf("want one alert, of unit 71: %v %v", list, err)
	}
	home := whole.must(t, "/")
	for _, want := range []string{"1 needs a decision", ">71<", `class="spark"`, "1 silent", "never reported", "<strong>1 unit</strong>: no sign of drift"} {
		if !strings.Contains(home, want) {
			t.Errorf("Today does not say %q", want)
		}
	}
	page := whole.must(t, seriesURL("71", "7e8", "m21.t89"))
	for _, want := range []string{"What was normal", "since no later than", "What follows", "at least 400", `class="band"`, `class="since"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the series page does not have %q", want)
		}
	}
	if strings.Contains(page, "NaN") {
		t.Error("the series page shows a number that is none")
	}
	whole.must(t, seriesURL("71", "7e8", "m21.t89")+"/points.json")
	whole.must(t, "/units/71")
	whole.must(t, "/units/73")
	whole.must(t, "/alerts/"+list[0].ID)
	path := whole.post("/alerts/"+list[0].ID+"/order", "who=Ilvane", same).Header().Get("Location")
	if sheet := whole.must(t, path); !strings.Contains(sheet, "Safety first") || !strings.Contains(sheet, `class="chart"`) {
		t.Error("the sheet lacks its safety block or its chart")
	}
}
