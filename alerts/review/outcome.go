package review

import (
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/analyze"
)

// Result is how the case of a work order ended.
type Result string

// The results. Only Hit, Late, WrongRepair and Needless say whether the alert was right.
const (
	Hit         Result = "hit"          // cause found, corrected, margin recovered
	Late        Result = "hit_late"     // likewise, but a code came before the visit
	WrongRepair Result = "wrong_repair" // something was repaired, the margin did not come back
	Needless    Result = "needless"     // nothing found, the next runs are healthy
	StillBad    Result = "still_bad"    // nothing found, the next runs are as bad: the shop's open miss
	Other       Result = "other_found"  // a different defect
	Undecided   Result = "undecided"    // no verdict of the tests yet, or none possible
	Repair      Result = "repair"       // a code or a driver came first: no forecast
	NoVisit     Result = "no_visit"     // recovered or cancelled before anybody looked
)

// Results are all results, in the order of the review.
var Results = []Result{Hit, Late, WrongRepair, Needless, StillBad, Other, Undecided, Repair, NoVisit}

// ResultOf says how the case of an order ended, as far as is known.
func ResultOf(o *alerts.WorkOrder) Result {
	last := o.Last()
	switch {
	case foretold(o) == nil && len(o.Alerts) > 0:
		return Repair
	case last == nil:
		return NoVisit
	case last.Found == alerts.FoundOther:
		return Other
	case last.Verdict == nil || last.Found == alerts.NotTested:
		return Undecided
	}
	found := last.Found == alerts.FoundCause
	switch last.Verdict.State {
	case alerts.ProofRecovered:
		switch {
		case o.Open(): // it came back
			return WrongRepair
		case !found && !slices.ContainsFunc(o.Outcomes, func(x alerts.Outcome) bool { return x.Found == alerts.FoundCause }):
			return Needless
		case o.FirstCode != nil:
			return Late
		}
		return Hit
	case alerts.ProofNotRecovered:
		if found {
			return WrongRepair
		}
		return StillBad
	}
	return Undecided
}

// foretold is the earliest alert of an order that was a forecast; nil when a code or a report came first.
func foretold(o *alerts.WorkOrder) *alerts.Alert {
	var out *alerts.Alert
	for i := range o.Alerts {
		a := &o.Alerts[i]
		if a.Kind == analyze.Surprise || strings.HasPrefix(first(a.Tests), "report.") {
			continue
		}
		if out == nil || a.RaisedAt.Before(out.RaisedAt) {
			out = a
		}
	}
	return out
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// lead is how many days the alert gave: to the first code, else to the visit.
func lead(o *alerts.WorkOrder) (days float64, ok bool) {
	a := foretold(o)
	if a == nil || len(o.Outcomes) == 0 {
		return 0, false
	}
	end := o.Outcomes[0].At
	if o.FirstCode != nil && o.FirstCode.Before(end) {
		end = *o.FirstCode
	}
	return max(0, end.Sub(a.RaisedAt).Hours()/24), true
}

// at is when the case belongs to a stretch of time: its last visit, else when it was closed or made.
func at(o *alerts.WorkOrder) time.Time {
	switch {
	case o.Last() != nil:
		return o.Last().At
	case o.ClosedAt != nil:
		return *o.ClosedAt
	}
	return o.CreatedAt
}
