package alerts

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// Classes by family and unit: common practice, no source.
func TestConsequence(t *testing.T) {
	truck := fleet.NewUnit("408")
	truck.Fuel, truck.WeightClass = "diesel", "heavy"
	bare := fleet.NewUnit("409")
	bare.WeightClass = "heavy"
	soon, far, gone := van(), van(), van()
	soon.InspectionDue, far.InspectionDue, gone.InspectionDue = on(31), on(300), on(-1)
	for _, c := range []struct {
		family string
		unit   fleet.Unit
		p10    float64 // 0 = none
		want   Consequence
	}{
		{"evap", van(), 6, Cost},
		{"evap", soon, 6, Compliance},
		{"evap", soon, 0, Compliance},
		{"evap", far, 6, Cost},
		{"evap", far, 280, Compliance}, // the limit comes at about the date
		{"evap", gone, 6, Cost},
		{"catalyst", van(), 6, Cost},
		{"o2_sensor", van(), 6, Cost},
		{"o2_heater", truck, 6, RoadCall},
		{"vvt", van(), 6, Cost},
		{"secondary_air", van(), 6, Cost},
		{"egr", van(), 6, Cost},
		{"egr", truck, 6, RoadCall},
		{"egr", bare, 6, RoadCall},
		{"boost", truck, 6, RoadCall},
		{"fuel_system", van(), 6, Cost},
		{"fuel_system", truck, 6, RoadCall},
		{"misfire", van(), 0, RoadCall},
		{"misfire", soon, 0, RoadCall}, // the graver class stays
		{"nox_catalyst_scr", truck, 6, RoadCall},
		{"pm_filter", truck, 6, RoadCall},
		{"nox_adsorber", van(), 6, Compliance},
		{"", van(), 6, Cost},
		{"never heard of", van(), 6, Cost},
	} {
		var limit *Limit
		if c.p10 != 0 {
			limit = &Limit{P10: ptr(on(c.p10))}
		}
		e := knowledge.Builtin().For(c.family, "x")
		if got := consequence(e, &c.unit, on(0), limit); got != c.want {
			t.Errorf("%s %s %s p10 %v: %s, want %s", c.family, c.unit.Fuel, c.unit.WeightClass, c.p10, got, c.want)
		}
	}
}

var sentence = regexp.MustCompile(`[.!?](\s|$)`)

// Every kind in every family, on both fuels: at most three sentences, figures in it, no advice to clear.
func TestReasons(t *testing.T) {
	truck := fleet.NewUnit("217")
	truck.Fuel, truck.WeightClass = "diesel", "heavy"
	families := []string{""}
	for _, e := range knowledge.Builtin().Entries() {
		families = append(families, e.Families...)
	}
	for _, u := range []fleet.Unit{van(), truck} {
		for _, f := range families {
			for _, k := range severity {
				for _, over := range []bool{false, true} {
					s := signal(f, "m3c.t01", k, 10)
					if over {
						s = ended(s, 15, "recovered")
					}
					a := only(t, Derive(Case{Unit: u, Names: someNames, Signals: []analyze.Signal{s}, Series: []analyze.Now{newest(f, "m3c.t01", 20)}}))
					if n := len(sentence.FindAllString(a.Reason, -1)); n < 2 && k != analyze.NotRunning || n > 3 || !strings.HasSuffix(a.Reason, ".") {
						t.Errorf("%s %s: %d sentences: %s", f, k, n, a.Reason)
					}
					if knowledge.ClearsCodes(a.Reason) || strings.Contains(a.Reason, "NaN") || strings.Contains(a.Reason, "%!") || strings.Contains(a.Reason, "  ") {
						t.Errorf("%s %s: %s", f, k, a.Reason)
					}
				}
			}
		}
	}
}

// The sentence is about the test that makes the claim, even where another one raised the alert, and it does
// not say that one failed run is left when the newest result passes.
func TestFailedReason(t *testing.T) {
	bad := newest("evap", "m3b.t01", 20)
	bad.Value, bad.Margin, bad.Used, bad.LastFresh = 520, -0.04, 1.1, on(15)
	signals := []analyze.Signal{signal("evap", "m3b.t01", analyze.Drift, 12), signal("evap", "m3c.t01", analyze.Drift, 10), signal("evap", "m3b.t01", analyze.Failed, 15)}
	a := only(t, Derive(Case{Unit: van(), Signals: signals, Series: []analyze.Now{newest("evap", "m3c.t01", 20), bad}}))
	if a.Tests[0] != "m3c.t01" || *a.Margin != 0.16 || !strings.Contains(a.Reason, "one more failed run") || !strings.Contains(a.Reason, "Test m3b.t01: 520 Pa, beyond the maximum of 500 Pa") {
		t.Errorf("%v, margin %v: %s", a.Tests, *a.Margin, a.Reason)
	}
	bad.LastFresh = on(19)
	a = only(t, Derive(Case{Unit: van(), Signals: signals, Series: []analyze.Now{newest("evap", "m3c.t01", 20), bad}}))
	if !strings.Contains(a.Reason, "failed on 17 Mar 2026 and its newest result fails too: expect a stored code") {
		t.Error(a.Reason)
	}
	bad.Value, bad.Margin, bad.Used = 480, 0.04, 0.9
	a = only(t, Derive(Case{Unit: van(), Signals: signals, Series: []analyze.Now{newest("evap", "m3c.t01", 20), bad}}))
	if a.Kind != analyze.Failed || strings.Contains(a.Reason, "one more failed run") || !strings.Contains(a.Reason, "failed on 17 Mar 2026; its newest result is within the limit again") {
		t.Errorf("%s: %s", a.Kind, a.Reason)
	}
}

// Which way is worse is read from the limit: a particulate filter with falling pressure is not filling.
func TestDirectionOfReason(t *testing.T) {
	for toward, want := range map[string]string{"max": "is filling faster", "min": "is falling"} {
		s := signal("pm_filter", "mb2.t80", analyze.Drift, 10)
		s.Evidence.Toward = toward
		if a := only(t, derive(s)); !strings.Contains(a.Reason, want) {
			t.Errorf("toward %s: %s", toward, a.Reason)
		}
	}
}

func TestSurpriseReason(t *testing.T) {
	s := signal("misfire", "P0301", analyze.Surprise, 10)
	s.Evidence = analyze.Evidence{Baseline: math.NaN(), Value: math.NaN(), Limit: math.NaN(), Used: math.NaN()}
	a := only(t, Derive(Case{Unit: van(), Signals: []analyze.Signal{s}}))
	if !strings.HasPrefix(a.Reason, "A confirmed code P0301 was stored on 12 Mar 2026 without an earlier warning") || !strings.Contains(a.Reason, "a repair, not a forecast") {
		t.Error(a.Reason)
	}
	if a.Margin != nil || a.LimitAt != nil || a.DriftSince != nil || a.Tests[0] != "P0301" {
		t.Errorf("%+v", a)
	}
}
