package dashboards

import (
	"fmt"
	"math"
	"time"

	"marginline/analyze"
)

// lastClaim is the signal that a page about the series explains: the newest that stands, else the newest.
func lastClaim(tr *analyze.Trace) *analyze.Signal {
	var pick *analyze.Signal
	for i := range tr.Signals {
		sig := &tr.Signals[i]
		if pick == nil || sig.EndedAt.IsZero() || !pick.EndedAt.IsZero() {
			pick = sig
		}
	}
	return pick
}

// why answers "why was this raised" in three sentences: what was normal, what changed, and what follows.
// Without a signal it says what is watched instead.
func (s *Server) why(tr *analyze.Trace, zone *time.Location) []string {
	sig := lastClaim(tr)
	if sig == nil {
		return s.whyNot(tr)
	}
	e, day := sig.Evidence, func(t time.Time) string { return t.In(zone).Format("2 Jan 2006") }
	out := make([]string, 0, 3)
	if e.Fresh > 0 && !math.IsNaN(e.Baseline) {
		out = append(out, fmt.Sprintf("What was normal: over %s of epoch %d its healthy level is %s, give or take %s.",
			plural(e.Fresh, "fresh result", "fresh results"), e.Epoch, s.measure(e.Baseline, e.UnitOfMeasure), s.measure(e.Spread, e.UnitOfMeasure)))
	} else {
		out = append(out, fmt.Sprintf("What was normal: with %s in epoch %d the healthy level was not known yet.",
			plural(e.Fresh, "fresh result", "fresh results"), e.Epoch))
	}
	toward := "its limit"
	switch e.Toward {
	case "max":
		toward = "the limit of at most " + s.measure(e.Limit, e.UnitOfMeasure)
	case "min":
		toward = "the limit of at least " + s.measure(e.Limit, e.UnitOfMeasure)
	}
	changed := fmt.Sprintf("What changed: on %s it read %s", day(sig.RaisedAt), s.measure(e.Value, e.UnitOfMeasure))
	if math.IsNaN(e.Value) {
		changed = "What changed: the claim was made on " + day(sig.RaisedAt)
	}
	switch sig.Kind {
	case analyze.Drift, analyze.Imminent:
		if !e.Since.IsZero() {
			changed = fmt.Sprintf("What changed: since no later than %s the results have moved toward %s, and on %s one read %s",
				day(e.Since), toward, day(sig.RaisedAt), s.measure(e.Value, e.UnitOfMeasure))
		}
		if e.Threshold > 0 {
			changed += fmt.Sprintf("; the score reached %s, over its alarm line of %s, where a healthy series gets about once in %s results",
				figure(e.Score), figure(e.Threshold), odds(e.Threshold))
		}
	case analyze.Jump:
		changed += ", the second result in a row far from the healthy level on the way to " + toward
	case analyze.Failed:
		changed += ", which is beyond " + toward + ": the vehicle itself counts this run as failed"
	case analyze.Intermittent:
		changed += "; the results scatter much more than they did"
	case analyze.NotRunning:
		changed = fmt.Sprintf("What changed: reports kept arriving, but by %s the test had stopped running", day(sig.RaisedAt))
	}
	out = append(out, changed+".")
	follows := "What follows: "
	if !math.IsNaN(e.Used) && e.Used > 0 {
		follows += percent(e.Used) + " of the healthy distance to the limit was used up then"
		if u := tr.Now.Used; !math.IsNaN(u) && sig.EndedAt.IsZero() {
			follows += " and " + percent(u) + " is now"
		}
		follows += "; "
	}
	switch l := limitOf(tr.Now.Crossing); {
	case !sig.EndedAt.IsZero():
		follows += "the claim was taken back on " + day(sig.EndedAt) + " (" + endWords(sig.Ended) + ")"
	case sig.Kind == analyze.Failed:
		follows += "a second failed run in a row sets the code and the lamp"
	case l == nil:
		follows += "there is not enough evidence for a date"
	case l.P10 == nil:
		follows += "at this pace the limit is beyond a year away"
	default:
		follows += "if this goes on, the limit is likely to be reached " + between(tr.Now.Crossing, zone)
	}
	return append(out, follows+".")
}

func between(c *analyze.Crossing, zone *time.Location) string {
	day := func(t time.Time) string { return t.In(zone).Format("2 Jan 2006") }
	if c.P90.IsZero() {
		return "on " + day(c.P10) + " at the earliest"
	}
	return "between " + day(c.P10) + " and " + day(c.P90)
}

func endWords(why string) string {
	switch why {
	case "recovered":
		return "the results came back to the healthy level"
	case "epoch":
		return "calibration or limits changed, and the series began anew"
	case "":
		return "no reason given"
	}
	return why
}

// odds is the average number of results between false alarms at a score: the score is the logarithm of the
// average run length (Siegmund's approximation for Page's cumulative sum).
func odds(score float64) string {
	n := math.Exp(score)
	if n > 1e9 {
		return "more than a billion"
	}
	pow := math.Pow(10, math.Floor(math.Log10(n))-1)
	return grouped(int64(math.Round(n/pow) * pow))
}

// grouped writes a whole number with a thin space every three digits.
func grouped(n int64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

func (s *Server) whyNot(tr *analyze.Trace) []string {
	n := tr.Now
	if n.Learning || math.IsNaN(n.Baseline) {
		return []string{fmt.Sprintf("Nothing was raised: after %s in epoch %d the series is still learning its healthy level, and only a failed result would raise an alert.",
			plural(n.Fresh, "fresh result", "fresh results"), n.Epoch)}
	}
	words := fmt.Sprintf("Nothing was raised: the healthy level is %s, give or take %s", s.measure(n.Baseline, n.UnitOfMeasure), s.measure(n.Spread, n.UnitOfMeasure))
	if n.Threshold > 0 {
		words += fmt.Sprintf(", and the score is %s of the %s that raises an alert", figure(n.Score), figure(n.Threshold))
	}
	return []string{words + "."}
}
