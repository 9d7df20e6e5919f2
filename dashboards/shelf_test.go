package dashboards

import (
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"marginline/alerts"
	"marginline/analyze"
)

// shelve is a real alert book on a disk of its own that holds the alerts; its clock stands at today.
func shelve(t testing.TB, list ...alerts.Alert) (*alerts.Book, *sql.DB) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "state.db")+"?_pragma=journal_mode(WAL)&_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	b, err := alerts.OpenBook(t.Context(), db, quiet(), nil)
	if err != nil {
		t.Fatal(err)
	}
	b.SetClock(func() time.Time { return today })
	units := map[string][]alerts.Alert{}
	for _, a := range list {
		units[a.Unit] = append(units[a.Unit], a)
	}
	for unit, mine := range units {
		if _, err := b.Sync(t.Context(), unit, mine); err != nil {
			t.Fatal(err)
		}
	}
	return b, db
}

// shelveMany is a book with a drift alert for each of the units.
func shelveMany(t testing.TB, units []string) *alerts.Book {
	t.Helper()
	var all []alerts.Alert
	for i, unit := range units {
		all = append(all, alerts.Alert{ID: "a-" + unit, Unit: unit, ECU: "7e8", Tests: []string{"m3b.tc0"}, Family: "evap", Kind: analyze.Drift, Consequence: alerts.Compliance,
			RaisedAt: at(-9 - i%30), DriftSince: ptr(at(-40)), Margin: ptr(0.16), LimitAt: limit(6+i%20, 15+i%20, 34), Reason: "The fuel tank's vapour seal is slowly losing tightness."})
	}
	b, _ := shelve(t, all...)
	return b
}

func empty(t testing.TB) *alerts.Book {
	t.Helper()
	b, _ := shelve(t)
	return b
}

// marketBook is the book that goes with the invented fleet.
func marketBook(t testing.TB) *alerts.Book {
	t.Helper()
	b, _ := shelve(t, marketAlerts()...)
	if err := b.Explain(t.Context(), "a-205", "Orrin Voss", "filled up on three hot evenings", time.Time{}); err != nil {
		t.Fatal(err)
	}
	if err := b.Acknowledge(t.Context(), "a-201", "Ilvane Holt", "", time.Time{}); err != nil {
		t.Fatal(err)
	}
	return b
}

func marketAlerts() []alerts.Alert {
	return []alerts.Alert{
		{ID: "a-408", Unit: "408", ECU: "00", Tests: []string{"s3242.f16.t247"}, Family: "nox_catalyst_scr", Kind: analyze.Drift, Consequence: alerts.RoadCall,
			RaisedAt: at(-2), DriftSince: ptr(at(-14)), Margin: ptr(0.08), LimitAt: limit(4, 6, 9),
			Evidence: []alerts.Evidence{{Test: "s3242.f16.t247", ECU: "00", Name: "SCR conversion efficiency", Kind: analyze.Drift, RaisedAt: at(-2), Since: ptr(at(-14)), ReadAt: ptr(at(-1)), Value: ptr(67.2), Limit: ptr(62.0), Baseline: ptr(88.0), UnitOfMeasure: "%", Toward: "min", Margin: ptr(0.08)}},
			Reason:   "The NOx catalyst converts less than it did. SCR conversion efficiency: 67.2 % against the minimum of 62 %, 80 % of the way there from this unit's healthy level of 88 %, since no later than 4 May 2026. It is likely to reach the limit between 22 May 2026 and 27 May 2026."},
		{ID: "a-214", Unit: "214", ECU: "7e8", Tests: []string{"m21.t89"}, Family: "catalyst", Kind: analyze.Failed, Consequence: alerts.Compliance,
			RaisedAt: at(-5), Margin: ptr(-0.06), LimitAt: limit(0, 1, 3),
			Evidence: []alerts.Evidence{{Test: "m21.t89", ECU: "7e8", Name: "catalyst oxygen storage, bank 1", Kind: analyze.Failed, RaisedAt: at(-5), ClaimedAt: today.Add(-3 * time.Hour), ReadAt: ptr(at(-1)), Value: ptr(0.954), Limit: ptr(0.9), UnitOfMeasure: "1", Toward: "max", Margin: ptr(-0.06)}},
			Reason:   "The test of how well the catalyst cleans the exhaust has failed: one more failed run normally sets the code and lights the lamp. Catalyst oxygen storage, bank 1: 0.954, beyond the maximum of 0.9."},
		{ID: "a-217", Unit: "217", ECU: "7e8", Tests: []string{"m3b.tc0", "m02.t08"}, Family: "evap", Kind: analyze.Drift, Consequence: alerts.Compliance,
			RaisedAt: at(-9), DriftSince: ptr(at(-40)), Margin: ptr(0.16), LimitAt: limit(6, 15, 34),
			Evidence: []alerts.Evidence{
				{Test: "m3b.tc0", ECU: "7e8", Name: "fuel vapour leak, 0.040 in", Kind: analyze.Drift, RaisedAt: at(-9), Since: ptr(at(-40)), ReadAt: ptr(at(-1)), Value: ptr(504.0), Limit: ptr(620.0), Baseline: ptr(240.0), UnitOfMeasure: "Pa", Toward: "max", Margin: ptr(0.19)},
				{Test: "m02.t08", ECU: "7e8", Name: "rear oxygen sensor, slow response", Kind: analyze.Drift, RaisedAt: at(-4), ReadAt: ptr(at(-1)), Value: ptr(1.91), Limit: ptr(4.7), Baseline: ptr(1.9), UnitOfMeasure: "s", Toward: "max", Margin: ptr(0.59)}},
			Reason: "The fuel tank's vapour seal is slowly losing tightness. Fuel vapour leak, 0.040 in: 504 Pa against the maximum of 620 Pa, 71 % of the way there from this unit's healthy level of 240 Pa, since no later than 8 Apr 2026. It is likely to reach the limit between 24 May 2026 and 21 Jun 2026."},
		{ID: "a-hostile", Unit: hostile, ECU: "7e8", Tests: []string{"m3b.tc0"}, Family: "evap", Kind: analyze.Drift, Consequence: alerts.Cost,
			RaisedAt: at(-5), DriftSince: ptr(at(-38)), Margin: ptr(0.21), Reason: `<img src=x onerror=alert(1)> "quoted" & so on`},
		{ID: "a-312", Unit: "312", ECU: "7e8", Tests: []string{"P0304"}, Family: "misfire", Kind: analyze.Surprise, Consequence: alerts.RoadCall,
			RaisedAt: at(-1), Reason: "P0304 was confirmed without warning: misfire of cylinder 4."},
		{ID: "a-220", Unit: "220", ECU: "7e8", Tests: []string{"m3b.tc0"}, Family: "evap", Kind: analyze.NotRunning, Consequence: alerts.Note,
			RaisedAt: at(-3), Reason: "The fuel vapour leak test last ran 41 days ago, though reports keep arriving."},
		{ID: "a-205", Unit: "205", ECU: "7e8", Tests: []string{"m3b.tc0"}, Family: "evap", Kind: analyze.Jump, Consequence: alerts.Cost,
			RaisedAt: at(-20), Margin: ptr(0.5), Reason: "Two leak tests in a row read far above normal."},
		{ID: "a-201", Unit: "201", ECU: "7e8", Tests: []string{"m02.t08"}, Family: "o2_sensor", Kind: analyze.Drift, Consequence: alerts.Cost,
			RaisedAt: at(-12), DriftSince: ptr(at(-60)), Margin: ptr(0.55), LimitAt: &alerts.Limit{P10: ptr(at(90))}, Reason: "The rear oxygen sensor answers more slowly than it did."},
		{ID: "a-old", Unit: "217", ECU: "7e8", Tests: []string{"m42.t81"}, Family: "o2_heater", Kind: analyze.Jump, Consequence: alerts.Cost,
			RaisedAt: at(-100), EndedAt: ptr(at(-80)), Reason: "The heater current jumped."},
	}
}
