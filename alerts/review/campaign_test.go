package review

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// Three of fourteen units of one engine family drift where one of thirty-four others does: a campaign. Two
// units, or as many elsewhere, are none; one that was repaired counts, one of long ago or explained does not. Under three
// seeds, with other unit numbers and dates.
func TestCampaign(t *testing.T) {
	for seed := range uint64(3) {
		rng := rand.New(rand.NewPCG(seed, 3))
		base := 1000 + rng.IntN(8000)
		var units []*fleet.Unit
		for i := range 48 {
			u := fleet.NewUnit(fmt.Sprint(base + i))
			if u.EngineFamily = "KT-2"; i < 14 {
				u.EngineFamily = "RM-1"
			}
			units = append(units, &u)
		}
		now := on(0).AddDate(0, 0, rng.IntN(400))
		drift := func(i int) alerts.Alert {
			return alerts.Alert{Unit: units[i].Unit, Family: "egr", Kind: analyze.Drift, State: alerts.Open, RaisedAt: now.AddDate(0, 0, -rng.IntN(100))}
		}
		list := []alerts.Alert{drift(1), drift(4), drift(9), drift(9), drift(30)}
		list[1].State = alerts.Closed // repaired
		got := Campaigns(list, units, now)
		if len(got) != 1 || got[0].EngineFamily != "RM-1" || len(got[0].Units) != 3 || got[0].Here.N != 14 || got[0].Elsewhere.Of != 1 || got[0].Elsewhere.N != 34 {
			t.Errorf("%+v", got)
		}
		if got := Campaigns(list[1:], units, now); len(got) != 0 {
			t.Errorf("two units: %+v", got)
		}
		old := slices.Clone(list)
		old[1].RaisedAt = now.AddDate(-1, 0, 0)
		if got := Campaigns(old, units, now); len(got) != 0 {
			t.Errorf("long ago: %+v", got)
		}
		why := "the whole cohort moved"
		old[1].RaisedAt, old[1].ExplainedBy = now, &why
		if got := Campaigns(old, units, now); len(got) != 0 {
			t.Errorf("explained: %+v", got)
		}
		for i := 20; i < 30; i++ {
			list = append(list, drift(i))
		}
		if got := Campaigns(list, units, now); len(got) != 0 {
			t.Errorf("as many elsewhere: %+v", got)
		}
	}
}
