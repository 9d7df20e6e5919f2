package review

import (
	"cmp"
	"slices"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// A Campaign is a suggestion to look at all units of an engine family: several of them show the same.
type Campaign struct {
	EngineFamily string   `json:"engine_family"`
	Family       string   `json:"family"` // of monitors
	Units        []string `json:"units"`
	Here         Share    `json:"here"`      // of the units of this engine family
	Elsewhere    Share    `json:"elsewhere"` // of all others
}

// A campaign needs so many units within such a time, and so many times the share of the others (assumptions).
const (
	campaignUnits = 3
	campaignTimes = 2
	campaignSpan  = 182 * 24 * time.Hour
)

// Campaigns are suggested from the alerts that stand and those that were raised within half a year before a time, since a
// unit that was repaired counts all the more: at least three units of one engine family, and at least twice the share of
// the others. What was explained or withdrawn does not count.
func Campaigns(list []alerts.Alert, units []*fleet.Unit, at time.Time) []Campaign {
	engine, size := map[string]string{}, map[string]int{}
	for _, u := range units {
		if u.EngineFamily != "" {
			engine[u.Unit] = u.EngineFamily
			size[u.EngineFamily]++
		}
	}
	type key struct{ engine, family string }
	hit, total := map[key][]string{}, map[string]int{}
	for i := range list {
		a := &list[i]
		k := key{engine[a.Unit], a.Family}
		if k.engine == "" || a.State == alerts.Withdrawn || a.ExplainedBy != nil || !a.State.Standing() && a.RaisedAt.Before(at.Add(-campaignSpan)) || a.Kind == analyze.NotRunning || a.Kind == alerts.Reported || slices.Contains(hit[k], a.Unit) {
			continue
		}
		hit[k] = append(hit[k], a.Unit)
		total[a.Family]++
	}
	out := []Campaign{}
	for k, list := range hit {
		here, elsewhere := ShareOf(len(list), size[k.engine]), ShareOf(total[k.family]-len(list), len(engine)-size[k.engine])
		if len(list) < campaignUnits || here.Value < campaignTimes*elsewhere.Value {
			continue
		}
		slices.Sort(list)
		out = append(out, Campaign{k.engine, k.family, list, here, elsewhere})
	}
	slices.SortFunc(out, func(a, b Campaign) int {
		return cmp.Or(-cmp.Compare(a.Here.Value, b.Here.Value), cmp.Compare(a.EngineFamily, b.EngineFamily), cmp.Compare(a.Family, b.Family))
	})
	return out
}
