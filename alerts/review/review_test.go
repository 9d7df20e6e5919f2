package review

import (
	"fmt"
	"math"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/analyze"
)

// Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998) 857,
// table I, method 3 (score without continuity correction); the figures are from memory.
func TestShareOfPublished(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{{81, 263, 0.2553, 0.3662}, {15, 148, 0.0624, 0.1605}, {0, 20, 0, 0.1611}, {1, 29, 0.0061, 0.1718}} {
		s := ShareOf(c.k, c.n)
		if math.Abs(s.Low-c.low) > 5e-5 || math.Abs(s.High-c.high) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.k, c.n, s.Low, s.High, c.low, c.high)
		}
	}
	if s := ShareOf(0, 0); s.Low != 0 || s.High != 1 {
		t.Errorf("nothing is known: %+v", s)
	}
}

func on(d int) time.Time { return time.Date(2026, 5, 1+d, 8, 0, 0, 0, time.UTC) }

func yesterday(p alerts.Proven, found alerts.Found, state alerts.OrderState, kind analyze.Kind) alerts.WorkOrder {
	o := alerts.WorkOrder{ID: "w", Unit: "217", State: state, Alerts: []alerts.Alert{{ID: "a", Unit: "217", Family: "evap", Kind: kind, Tests: []string{"m3c.t01"}, Consequence: alerts.RoadCall, RaisedAt: on(0)}}}
	x := alerts.Outcome{At: on(10), Found: found}
	if p != "" {
		x.Verdict = &alerts.Verdict{State: p}
	}
	o.Outcomes = []alerts.Outcome{x}
	return o
}

// What an outcome counts as, row by row (common practice, no source).
func TestResults(t *testing.T) {
	drift, closed, open := analyze.Drift, alerts.OrderClosed, alerts.OrderApproved
	late := yesterday(alerts.ProofRecovered, alerts.FoundCause, closed, drift)
	code := on(9)
	late.FirstCode = &code
	unseen := yesterday("", alerts.FoundCause, closed, drift)
	unseen.Outcomes = nil
	second := yesterday(alerts.ProofRecovered, alerts.FoundCause, closed, drift)
	second.Outcomes = append([]alerts.Outcome{{At: on(5), Found: alerts.FoundNothing, Verdict: &alerts.Verdict{State: alerts.ProofNotRecovered}}}, second.Outcomes...)
	for name, c := range map[string]struct {
		order alerts.WorkOrder
		want  Result
	}{
		"found, recovered":         {yesterday(alerts.ProofRecovered, alerts.FoundCause, closed, drift), Hit},
		"a code came first":        {late, Late},
		"replaced, no better":      {yesterday(alerts.ProofNotRecovered, alerts.FoundCause, open, drift), WrongRepair},
		"recovered, came back":     {yesterday(alerts.ProofRecovered, alerts.FoundCause, open, drift), WrongRepair},
		"nothing, back by itself":  {yesterday(alerts.ProofRecovered, alerts.FoundNothing, closed, drift), Needless},
		"nothing, still bad":       {yesterday(alerts.ProofNotRecovered, alerts.FoundNothing, open, drift), StillBad},
		"nothing, no fresh run":    {yesterday(alerts.ProofWaiting, alerts.FoundNothing, alerts.OrderVerifying, drift), Undecided},
		"no verdict":               {yesterday("", alerts.FoundNothing, alerts.OrderVerifying, drift), Undecided},
		"nobody can tell":          {yesterday(alerts.ProofCannotTell, alerts.FoundCause, closed, drift), Undecided},
		"other found":              {yesterday(alerts.ProofRecovered, alerts.FoundOther, closed, drift), Other},
		"could not test":           {yesterday(alerts.ProofRecovered, alerts.NotTested, closed, drift), Undecided},
		"a code without a warning": {yesterday(alerts.ProofRecovered, alerts.FoundCause, closed, analyze.Surprise), Repair},
		"no visit":                 {unseen, NoVisit},
		"second look finds it":     {second, Hit},
	} {
		if got := ResultOf(&c.order); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

func TestReview(t *testing.T) {
	var orders []alerts.WorkOrder
	var list []alerts.Alert
	add := func(n int, p alerts.Proven, found alerts.Found, state alerts.OrderState) {
		for range n {
			o := yesterday(p, found, state, analyze.Drift)
			o.ID = fmt.Sprint("w-", len(orders))
			orders, list = append(orders, o), append(list, o.Alerts...)
		}
	}
	add(6, alerts.ProofRecovered, alerts.FoundCause, alerts.OrderClosed)
	add(2, alerts.ProofRecovered, alerts.FoundNothing, alerts.OrderClosed)
	add(1, alerts.ProofNotRecovered, alerts.FoundCause, alerts.OrderApproved)
	add(3, alerts.ProofWaiting, alerts.FoundNothing, alerts.OrderVerifying)
	list = append(list, alerts.Alert{ID: "s", Unit: "312", Family: "misfire", Kind: analyze.Surprise, Consequence: alerts.RoadCall, RaisedAt: on(3)},
		alerts.Alert{ID: "gone", Family: "evap", Kind: analyze.Drift, State: alerts.Withdrawn, RaisedAt: on(3)},
		alerts.Alert{ID: "long ago", Family: "evap", Kind: analyze.Drift, RaisedAt: on(-300)})
	r := Make(list, orders, on(-1), on(31), DefaultPrices())
	if r.Total.Raised != 12 || r.Total.Surprises != 1 || r.Total.Right.Of != 7 || r.Total.Right.N != 9 || r.Total.Needless.Of != 2 {
		t.Errorf("%+v", r.Total)
	}
	if r.Total.Results[Undecided] != 3 || r.Total.Lead == nil || *r.Total.Lead != 10 || r.Total.Foretold.N != 1 || r.Total.Foretold.Of != 0 {
		t.Errorf("%+v", r.Total)
	}
	if len(r.Families) != 2 || r.Families[0].Name != "evap" || r.Families[1].Surprises != 1 || len(r.Look) != 4 || r.Look[0].Result != WrongRepair {
		t.Errorf("%+v %+v", r.Families, r.Look)
	}
	// 6 hits: low 6 (0.5·600 - 350) - 2·200, high 6 (1500 - 150) - 2·60.
	if r.Money.Low != -700 || r.Money.High != 7980 || len(r.Money.Assumptions) != 5 {
		t.Errorf("%+v", r.Money)
	}
	if empty := Make(list, orders, on(100), on(130), DefaultPrices()); empty.Total.Raised != 0 || empty.Total.Right.High != 1 || empty.Money.High != 0 {
		t.Errorf("%+v", empty)
	}
	for _, p := range []Prices{{Unplanned: [2]float64{2, 1}}, {Failing: [2]float64{0, 2}}} {
		if p.Validate() == nil {
			t.Errorf("%+v", p)
		}
	}
}
