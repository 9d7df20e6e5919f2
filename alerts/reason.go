package alerts

import (
	"fmt"
	"strings"
	"time"

	"marginline/alerts/knowledge"
	"marginline/analyze"
	"marginline/ingest/series"
)

// reason says in at most three sentences what is claimed, how far it is and since when, and by when. at is
// the newest reading, or the end of an alert that ended.
func (d *deriver) reason(e *knowledge.Entry, a *Alert, at time.Time) string {
	v := a.Evidence[0]
	if a.Kind == analyze.Surprise {
		code := "A confirmed code "
		if strings.HasPrefix(v.Test, "s") {
			code = "An active code " // of a truck: SAE J1939 has no confirmed ones
		}
		s := fmt.Sprintf("%s%s was stored on %s without an earlier warning from the test of %s. "+
			"This is a repair, not a forecast: save the codes and the test results before any work.", code, v.Test, day(v.RaisedAt, d.zone), e.Measures)
		if a.EndedAt != nil {
			return s + " " + d.ending(a)
		}
		return s + " " + d.wait(e)
	}
	if a.Kind == Reported {
		return d.reported(a)
	}
	if a.Kind == analyze.NotRunning {
		s := fmt.Sprintf("The test of %s no longer runs although reports keep arriving: nothing is known of it", e.Measures)
		if n := d.now[a.key()]; n != nil && !n.LastFresh.IsZero() {
			s += " since " + day(n.LastFresh, d.zone)
		}
		s += ", and the unit is not protected."
		if a.EndedAt != nil {
			return s + " It runs again since " + day(*a.EndedAt, d.zone) + "."
		}
		return s
	}
	v = a.claim()
	return d.claim(e, a.Kind, v) + " " + d.figures(v) + " " + d.until(e, a, v, at)
}

// claim is the first sentence: what the results say, in words for a manager.
func (d *deriver) claim(e *knowledge.Entry, k analyze.Kind, v Evidence) string {
	switch k {
	case analyze.Jump:
		return fmt.Sprintf("The test of %s jumped: two results in a row are far from this unit's healthy level.", e.Measures)
	case analyze.Failed:
		on := day(v.ClaimedAt, d.zone)
		switch n := d.now[series.Key{Unit: d.Unit.Unit, ECU: v.ECU, Test: v.Test}]; {
		case !v.beyond():
			return fmt.Sprintf("The test of %s failed on %s; its newest result is within the limit again.", e.Measures, on)
		case n != nil && n.LastFresh.After(v.ClaimedAt):
			return fmt.Sprintf("The test of %s failed on %s and its newest result fails too: expect a stored code.", e.Measures, on)
		}
		return fmt.Sprintf("The test of %s has failed: one more failed run normally sets the code and lights the lamp.", e.Measures)
	case analyze.Intermittent:
		return fmt.Sprintf("The results of the test of %s scatter more and more: a fault that comes and goes.", e.Measures)
	}
	if e.DriftMin != "" && v.Toward == "min" {
		return e.DriftMin
	}
	if e.DriftDiesel != "" && fuelOf(&d.Unit) == "diesel" {
		return e.DriftDiesel
	}
	return e.Drift
}

func (d *deriver) wait(e *knowledge.Entry) string {
	if e.WaitDiesel != "" && fuelOf(&d.Unit) == "diesel" {
		return e.WaitDiesel
	}
	return e.Wait
}

// figures is the second sentence: how far, and since when.
func (d *deriver) figures(v Evidence) string {
	s := fmt.Sprintf("%s: %s", v.Name, quantity(v.Value, v.UnitOfMeasure))
	if v.Limit != nil {
		word := " against "
		if v.beyond() {
			word = ", beyond "
		}
		s += fmt.Sprintf("%s%s of %s", word, limitWord(v.Toward), quantity(v.Limit, v.UnitOfMeasure))
	}
	switch {
	case v.EndedAt != nil:
	case v.Used != nil && *v.Used < 1 && v.Baseline != nil:
		s += fmt.Sprintf(", %s of the way there from this unit's healthy level of %s", percent(max(0, *v.Used)), quantity(v.Baseline, v.UnitOfMeasure))
	case v.Margin != nil && *v.Margin >= 0:
		s += fmt.Sprintf(", %s of the margin left", percent(*v.Margin))
	case v.Baseline != nil:
		s += fmt.Sprintf(" (healthy level %s)", quantity(v.Baseline, v.UnitOfMeasure))
	}
	if v.Since != nil {
		s += "; it began no later than " + day(*v.Since, d.zone)
	}
	return s + "."
}

// beyond says whether the newest value is beyond its limit.
func (v Evidence) beyond() bool {
	return v.Value != nil && v.Limit != nil && (v.Toward == "max" && *v.Value > *v.Limit || v.Toward == "min" && *v.Value < *v.Limit)
}

// until is the third sentence: by when, or how it ended.
func (d *deriver) until(e *knowledge.Entry, a *Alert, v Evidence, at time.Time) string {
	if a.EndedAt != nil {
		return d.ending(a)
	}
	if a.Kind == analyze.Failed {
		return d.wait(e)
	}
	l := d.limitAt(series.Key{Unit: a.Unit, ECU: v.ECU, Test: v.Test})
	switch {
	case l == nil:
		return "There is not enough evidence for a date."
	case l.P10 == nil:
		return "At this pace the limit is more than a year away."
	case l.P90 != nil && !l.P90.After(at):
		return "At this pace the limit should be reached by now."
	case l.P90 != nil && !l.P10.After(at):
		return fmt.Sprintf("It is likely to reach the limit by %s, and may do so any day.", day(*l.P90, d.zone))
	case l.P90 != nil && day(*l.P10, d.zone) == day(*l.P90, d.zone):
		return fmt.Sprintf("It is likely to reach the limit on %s.", day(*l.P10, d.zone))
	case l.P90 != nil:
		return fmt.Sprintf("It is likely to reach the limit between %s and %s.", day(*l.P10, d.zone), day(*l.P90, d.zone))
	}
	return fmt.Sprintf("It may reach the limit from %s on, or not within a year.", day(latest(*l.P10, at), d.zone))
}

func (d *deriver) ending(a *Alert) string {
	on := day(*a.EndedAt, d.zone)
	for _, v := range a.Evidence {
		if v.EndedAt != nil && v.EndedAt.Equal(*a.EndedAt) && v.Ended == "epoch" {
			return fmt.Sprintf("The results have been good since %s, under another calibration or other limits.", on)
		}
	}
	return fmt.Sprintf("The results were back near the healthy level on %s.", on)
}
