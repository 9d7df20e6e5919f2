package alerts

import (
	"fmt"
	"slices"
)

// OrderState is where a work order stands.
type OrderState string

// The states of a work order.
const (
	OrderProposed   OrderState = "proposed"
	OrderApproved   OrderState = "approved"
	OrderScheduled  OrderState = "scheduled"
	OrderArrived    OrderState = "arrived"
	OrderInProgress OrderState = "in_progress"
	OrderWaiting    OrderState = "waiting" // for parts, approval or a cold soak
	OrderDone       OrderState = "done"
	OrderVerifying  OrderState = "verifying" // until the tests have run again
	OrderClosed     OrderState = "closed"
	OrderDeferred   OrderState = "deferred" // until a day, then approved again by itself
	OrderCancelled  OrderState = "cancelled"
	OrderNoShow     OrderState = "no_show"
)

// Live says whether the order still asks for a visit.
func (s OrderState) Live() bool {
	return s != OrderDone && s != OrderVerifying && s != OrderClosed && s != OrderCancelled
}

// A Step is something that happens to a work order.
type Step string

// The steps of a person. Finish comes with an outcome, Reopen also by itself when a repair did not hold.
const (
	StepApprove  Step = "approve"
	StepSchedule Step = "schedule"
	StepArrive   Step = "arrive"
	StepStart    Step = "start"
	StepWait     Step = "wait"
	StepFinish   Step = "finish"
	StepClose    Step = "close"
	StepDefer    Step = "defer"
	StepCancel   Step = "cancel"
	StepNoShow   Step = "no_show"
	StepReopen   Step = "reopen"
	StepRelease  Step = "release" // the day is given back
)

// course says from where a step is possible and where it leads.
type course struct {
	to     OrderState
	from   []OrderState
	reason bool // a reason is needed
}

var before = []OrderState{OrderProposed, OrderApproved, OrderScheduled, OrderNoShow, OrderDeferred}

var inShop = []OrderState{OrderArrived, OrderInProgress, OrderWaiting}

// steps is the whole life of a work order. A technician with greasy hands may finish from any state before:
// what was skipped is not invented.
var steps = map[Step]course{
	StepApprove:  {OrderApproved, []OrderState{OrderProposed}, false},
	StepSchedule: {OrderScheduled, slices.Concat(before, []OrderState{OrderWaiting}), false},
	StepArrive:   {OrderArrived, before, false},
	StepStart:    {OrderInProgress, []OrderState{OrderArrived, OrderWaiting}, false},
	StepWait:     {OrderWaiting, []OrderState{OrderArrived, OrderInProgress, OrderWaiting}, true},
	StepFinish:   {OrderDone, slices.Concat(before, inShop), false},
	StepClose:    {OrderClosed, []OrderState{OrderDone, OrderVerifying}, true},
	StepDefer:    {OrderDeferred, before, true},
	StepCancel:   {OrderCancelled, slices.Concat(before, inShop), true},
	StepNoShow:   {OrderNoShow, []OrderState{OrderScheduled}, false},
	StepRelease:  {OrderApproved, []OrderState{OrderScheduled}, true},
	StepReopen:   {OrderApproved, []OrderState{OrderDone, OrderVerifying, OrderClosed, OrderCancelled}, true},
}

// Steps are the steps that are possible in a state, in the order of a visit.
func (s OrderState) Steps() []Step {
	var out []Step
	for _, st := range []Step{StepApprove, StepSchedule, StepArrive, StepStart, StepWait, StepFinish, StepClose, StepDefer, StepNoShow, StepRelease, StepCancel, StepReopen} {
		if slices.Contains(steps[st].from, s) {
			out = append(out, st)
		}
	}
	return out
}

// step checks a step and says where it leads.
func (s OrderState) step(st Step, who, why string) (OrderState, error) {
	c, known := steps[st]
	switch {
	case !known:
		return s, fmt.Errorf("step %q: %w: want one of %v", st, ErrInput, s.Steps())
	case who == "":
		return s, fmt.Errorf("%s: %w: nobody is named", st, ErrInput)
	case !slices.Contains(c.from, s):
		return s, fmt.Errorf("the order is %s, it cannot %s: %w", s, st, ErrTransition)
	case c.reason && why == "":
		return s, fmt.Errorf("%s: %w: a reason is needed", st, ErrInput)
	}
	return c.to, nil
}
