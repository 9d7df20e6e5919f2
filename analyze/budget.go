package analyze

import (
	"context"
	"fmt"
	"math"
)

// bankExtra is by how much the bank of three CUSUMs must be held higher than one of them for the same run length
// (by simulation: 11.37 at a run length of 60,000).
const bankExtra = 0.4

// ThresholdFor is the score threshold under which chance alone raises about so many needless visits a week, of so
// many fresh results that come a week in all series together:
//
//	ARL = results / visits,  threshold = ln ARL + 0.4
//
// It is on the safe side: a claim also needs a level that has used up part of the distance to the limit.
// Infinite for no visits, and never below 4, where scores mean nothing.
func ThresholdFor(results, visits float64) float64 {
	if visits <= 0 {
		return math.Inf(1)
	}
	return max(4, math.Log(max(results, 1)/visits)+bankExtra)
}

// A Worth is what a visit costs that was not needed, and what one saves that was, in one currency.
type Worth struct{ Wasted, Saved float64 }

// Validate finds figures that break-even cannot be worked out of.
func (w Worth) Validate() error {
	if !(w.Wasted > 0 && w.Wasted <= 1e6) {
		return fmt.Errorf("a visit that was not needed costs %g: want more than 0, up to a million", w.Wasted)
	}
	if !(w.Saved >= 0 && w.Saved <= 1e9) {
		return fmt.Errorf("a right alert saves %g: want 0 or more", w.Saved)
	}
	return nil
}

// BreakEven is the share of alerts that must be right for alerts to pay: wasted / (wasted + saved).
func (w Worth) BreakEven() float64 { return w.Wasted / (w.Wasted + w.Saved) }

// Worths are the shipped figures by consequence class, in dollars: assumptions, no source; every fleet should enter its own.
// A check that rides along at a service wastes about 60 instead of 200.
func Worths() map[string]Worth {
	return map[string]Worth{
		"stop": {200, 2000}, "road_call": {200, 1000}, "compliance": {200, 300}, "cost": {200, 100}, "note": {200, 50},
	}
}

// Pace is how many fresh results a week come in from all watched series together, over their whole history. It folds
// nothing.
func (r *Runner) Pace(context.Context) (series int, results float64) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	for unit := range r.units.units {
		v := r.units.at(unit)
		weeks := math.Max(float64(v.last-v.first)/weekMicros, 1)
		for i := range v.watch {
			if w := &v.watch[i]; w.side[up].on || w.side[down].on || w.counts != nil {
				series++
				results += float64(w.epoch.total) / weeks
			}
		}
	}
	return series, results
}

// A ClassTrial is what some settings would have said about one class of consequences.
type ClassTrial struct{ Alerts, Followed, Unfollowed, Undecided int }

// Precision is the share of the alerts that a code followed, of those that could be decided. It is a lower bound: a unit
// repaired in time sets no code.
func (c *ClassTrial) Precision() Range { return wilson(c.Followed, c.Followed+c.Unfollowed) }

// Pays says whether alerts of the class paid: "yes" or "no" where the whole interval of the precision is on one side of
// break-even, else "open".
func (c *ClassTrial) Pays(w Worth) string {
	p, even := c.Precision(), w.BreakEven()
	switch {
	case p.Low >= even:
		return "yes"
	case p.High < even:
		return "no"
	}
	return "open"
}
