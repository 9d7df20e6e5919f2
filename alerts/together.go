package alerts

import (
	"fmt"
	"slices"
	"strings"

	"marginline/alerts/knowledge"
)

// shared are families that one cause may move together, and what that cause would be (common practice, no
// source). They stay rows of their own, each with its evidence; one visit looks for the shared cause first.
var shared = []struct {
	families []string
	cause    string
}{
	{[]string{"fuel_system", "misfire", "o2_sensor"}, "an intake leak or low fuel pressure would explain all of them"},
	{[]string{"boost", "egr", "pm_filter"}, "a charge air leak or a sticking EGR valve fills the filter too"},
}

// together notes on alerts of a unit that stand which others may be one job with them.
func together(list []Alert, kb *knowledge.Base) {
	for i := range list {
		a := &list[i]
		for _, s := range shared {
			if a.EndedAt != nil || !slices.Contains(s.families, a.Family) {
				continue
			}
			var with []string
			for j := range list {
				b := &list[j]
				if b.EndedAt == nil && b.Family != a.Family && slices.Contains(s.families, b.Family) {
					with = once(with, strings.ToLower(kb.For(b.Family, b.Tests[0]).Title))
				}
			}
			if len(with) > 0 {
				a.OneJob = fmt.Sprintf("May be one job with: %s; %s.", strings.Join(with, ", "), s.cause)
			}
		}
	}
}
