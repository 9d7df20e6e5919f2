package alerts

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

func TestOrder(t *testing.T) {
	b, _ := open(t)
	ctx := t.Context()
	list := derive(evap(analyze.Drift, 10), cat(12), signal("misfire", "ma2.t0c", analyze.Drift, 13),
		signal("o2_sensor", "m01.t05", analyze.NotRunning, 14), ended(signal("vvt", "m35.t80", analyze.Drift, 3), 9, "recovered"))
	id := func(family string) string {
		return list[slices.IndexFunc(list, func(a Alert) bool { return a.Family == family })].ID
	}
	sync(t, b, list)
	if err := b.Explain(ctx, id("misfire"), "Orrin", "bad fuel, all units of the depot", time.Time{}); err != nil {
		t.Fatal(err)
	}
	o, err := b.Order(ctx, id("evap"), "Senna", on(21))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(o.AlertIDs, id("evap")) || !slices.Contains(o.AlertIDs, id("catalyst")) || len(o.AlertIDs) != 2 {
		t.Errorf("order takes %v", o.AlertIDs)
	}
	if o.Unit != "217" || o.VIN != "9ZZTEST74RA000217" || o.State != OrderApproved || !o.CreatedAt.Equal(on(21)) || o.CreatedBy != "Senna" || !strings.HasPrefix(o.ID, "w-") {
		t.Errorf("%+v", o)
	}
	if o.DueBy == nil || !o.DueBy.Equal(on(26)) {
		t.Errorf("due by %v, want the earliest early end, day 26", o.DueBy)
	}
	a, history := get(t, b, id("evap"))
	if a.State != Ordered || a.OrderID == nil || *a.OrderID != o.ID || history[len(history)-1].Why != "work order "+o.ID {
		t.Errorf("%+v, %+v", a, history)
	}

	again, err := b.Order(ctx, id("catalyst"), "Dela", on(22))
	if err != nil || again.ID != o.ID || again.CreatedBy != "Senna" {
		t.Errorf("the same again: %+v, %v", again, err)
	}
	if _, history := get(t, b, id("catalyst")); len(history) != 2 {
		t.Errorf("ordering twice is in the history: %+v", history)
	}
	joined, err := b.Order(ctx, id("misfire"), "Senna", on(22)) // explained, but named
	if err != nil || joined.ID != o.ID || len(joined.AlertIDs) != 3 {
		t.Errorf("one order a unit: %+v, %v", joined, err)
	}
	if _, err := b.Order(ctx, id("vvt"), "Senna", on(22)); !errors.Is(err, ErrTransition) {
		t.Errorf("a closed alert: %v", err)
	}
	if _, err := b.Order(ctx, "a-nope", "Senna", on(22)); !errors.Is(err, ErrNotFound) {
		t.Errorf("no alert: %v", err)
	}
	if _, err := b.Order(ctx, id("o2_sensor"), "", on(22)); !errors.Is(err, ErrInput) {
		t.Errorf("nobody: %v", err)
	}

	// All recovered: the order is closed, and the next one is another.
	sync(t, b, derive(ended(evap(analyze.Drift, 10), 25, "recovered"), ended(cat(12), 25, "recovered"),
		ended(signal("misfire", "ma2.t0c", analyze.Drift, 13), 25, "recovered"), evap(analyze.Drift, 28)))
	got, err := b.OrderByID(ctx, o.ID[:8])
	if err != nil || got.State != OrderClosed || got.DueBy != nil || len(got.AlertIDs) != 3 {
		t.Errorf("after recovery: %+v, %v", got, err)
	}
	open := listed(t, b, false)
	next, err := b.Order(ctx, only(t, open).ID, "Senna", on(29))
	if err != nil || next.ID == o.ID || next.State != OrderApproved {
		t.Errorf("next order: %+v, %v", next, err)
	}
	orders, err := b.Orders(ctx)
	if err != nil || len(orders) != 2 || orders[0].ID != next.ID {
		t.Errorf("%+v, %v", orders, err)
	}
	if _, err := b.OrderByID(ctx, "w-"); !errors.Is(err, ErrAmbiguous) {
		t.Errorf("two orders begin so: %v", err)
	}
	for _, name := range []string{"", "w-nope"} {
		if _, err := b.OrderByID(ctx, name); !errors.Is(err, ErrNotFound) {
			t.Errorf("order %q: %v", name, err)
		}
	}
	text, err := json.Marshal(next)
	if err != nil || !strings.HasPrefix(string(text), `{"id":"w-`) {
		t.Errorf("%s, %v", text, err)
	}
}

// The ids of orders depend on what was done, not on when: two books with the same decisions have the same.
func TestOrderIDs(t *testing.T) {
	var ids []string
	for _, at := range []time.Time{on(21), on(25)} {
		b, _ := open(t)
		list := derive(evap(analyze.Drift, 10))
		sync(t, b, list)
		o, err := b.Order(t.Context(), list[0].ID, "Senna", at)
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, o.ID)
	}
	if ids[0] != ids[1] {
		t.Error(ids)
	}
}

func sheet(t *testing.T, u fleet.Unit, signals ...analyze.Signal) Sheet {
	t.Helper()
	b, _ := open(t)
	c := Case{Unit: u, Names: someNames, Signals: signals}
	for _, s := range signals {
		c.Series = append(c.Series, newest(s.Family, s.Key.Test, 20))
	}
	list := Derive(c)
	sync(t, b, list)
	o, err := b.Order(t.Context(), list[0].ID, "Senna", on(21))
	if err != nil {
		t.Fatal(err)
	}
	return NewSheet(*o, u, nil)
}

func TestSheet(t *testing.T) {
	u := van()
	u.Depot, u.EngineFamily = "Tannery Row", "KR-20"
	s := sheet(t, u, evap(analyze.Drift, 10), cat(12))
	text := s.Text()
	order := []string{"WORK ORDER " + s.Order.ID, "UNIT 217", "Tannery Row", "28 Mar 2026", "SAFETY FIRST", "wheels chocked", "Defer to the vehicle maker's service information",
		"COMPLAINT", "No driver complaint. Self-test margin has been shrinking since 20 Feb 2026", "EVIDENCE", "EVAP leak of 0.020 in [m3c.t01, ecu 7e8]", "420 Pa", "500 Pa",
		"what else moves the result: fuel level", "the test runs: cold start after a soak",
		"CHECKS, IN THIS ORDER", "Do not clear codes", "[ ]  1. (look) Confirm unit number and VIN", "WHAT PROVES IT FIXED", "WARRANTY", "TO FILL IN", "nothing found", "Codes cleared"}
	flat := strings.Join(strings.Fields(text), " ")
	at := 0
	for _, want := range order {
		want = strings.Join(strings.Fields(want), " ")
		i := strings.Index(flat[at:], want)
		if i < 0 {
			t.Fatalf("%q is not on the sheet, or too early:\n%s", want, text)
		}
		at += i
	}
	for line := range strings.Lines(text) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > columns {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	if n := strings.Count(flat, "Confirm unit number and VIN"); n != 1 {
		t.Errorf("common steps printed %d times", n)
	}
	if n := strings.Count(flat, "wheels chocked"); n != 1 {
		t.Errorf("cautions printed %d times", n)
	}
	if len(s.Complaint) != 2 || len(s.Evidence) != 2 || len(s.Proof) != 2 || len(s.Warranty) != 2 {
		t.Errorf("%d complaints, %d rows of evidence, %d proofs, %d warranty hints", len(s.Complaint), len(s.Evidence), len(s.Proof), len(s.Warranty))
	}
}

func TestInBy(t *testing.T) {
	for kind, want := range map[analyze.Kind]string{analyze.Drift: "28 Mar 2026", analyze.Failed: "now: a test has failed"} {
		if got := sheet(t, van(), evap(kind, 10), cat(12)).InBy(); !strings.HasPrefix(got, want) {
			t.Errorf("%s: %s", kind, got)
		}
	}
	s := NewSheet(WorkOrder{}, van(), nil)
	if !strings.HasPrefix(s.InBy(), "no date: within 30 days") || !strings.Contains(s.Text(), "wheels chocked") {
		t.Errorf("an order without alerts: %s", s.InBy())
	}
}

// Every family on a sheet: its cautions come before its steps, it defers, and no step clears codes.
func TestSheetOfEveryFamily(t *testing.T) {
	for _, e := range knowledge.Builtin().Entries() {
		test := "m3c.t01"
		if len(e.Tests) > 0 {
			test = e.Tests[0] + "t01"
		}
		s := sheet(t, van(), signal(e.Families[0], test, analyze.Drift, 10))
		if len(s.Safety) < 2 || s.Deference == "" || s.DoNotClear == "" || len(s.Steps) == 0 || len(s.Proof) == 0 || len(s.Hours) == 0 {
			t.Errorf("%s: %+v", e.Title, s)
		}
		text := s.Text()
		if i, j := strings.Index(text, "SAFETY FIRST"), strings.Index(text, "CHECKS, IN THIS ORDER"); i < 0 || j < i {
			t.Errorf("%s: safety at %d, steps at %d", e.Title, i, j)
		}
		for _, st := range s.Steps {
			if knowledge.ClearsCodes(st.Do) {
				t.Errorf("%s: %s", e.Title, st.Do)
			}
		}
	}
}

// A surprise has no numbers; the sheet has none then.
func TestSheetOfASurprise(t *testing.T) {
	s := signal("misfire", "P0301", analyze.Surprise, 10)
	s.Evidence = analyze.Evidence{Baseline: math.NaN(), Value: math.NaN(), Limit: math.NaN(), Used: math.NaN(), Spread: math.NaN()}
	text := sheet(t, van(), s).Text()
	if !strings.Contains(text, "Code P0301 stored on 12 Mar 2026") || strings.Contains(text, "NaN") {
		t.Error(text)
	}
}

// Federal emission cover of light vehicles: 2 years or 24,000 miles, 8 years or 80,000 miles for the catalyst
// (40 CFR 85.2103 and EPA fact sheet 420-F-96-020, from memory).
func TestWarranty(t *testing.T) {
	for _, c := range []struct{ family, weight, want string }{
		{"catalyst", "light", "8 years or 80,000 miles, whichever is first (in service 1 Apr 2021, so to 1 Apr 2029 at the latest)"},
		{"evap", "light", "2 years or 24,000 miles, whichever is first (in service 1 Apr 2021, so to 1 Apr 2023 at the latest)"},
		{"nox_catalyst_scr", "heavy", "ask the engine maker"},
	} {
		u := van()
		u.WeightClass = c.weight
		if got := warranty(knowledge.Builtin().For(c.family, "x"), &u); !strings.Contains(got, c.want) {
			t.Errorf("%s: %s", c.family, got)
		}
	}
}
