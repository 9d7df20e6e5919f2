package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"marginline/alerts"
	"marginline/alerts/shop"
)

// stepOrder takes an order one step on.
func (a *app) stepOrder(w http.ResponseWriter, r *http.Request) error {
	if err := a.watch.ready(r.Context()); err != nil {
		return err
	}
	st := alerts.Step(r.PathValue("step"))
	if err := r.ParseForm(); err != nil {
		return err
	}
	var o *alerts.WorkOrder
	var err error
	if st == alerts.StepFinish {
		var out alerts.Outcome
		if out, err = outcomeOf(r.Form, a.now()); err == nil {
			o, err = a.floor.Finish(r.Context(), r.PathValue("id"), out)
		}
	} else {
		var n alerts.StepNote
		if n, err = noteOf(r.Form); err == nil {
			o, err = a.floor.Step(r.Context(), r.PathValue("id"), st, n)
		}
	}
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s of unit %s is %s\n", o.ID, o.Unit, o.State)
	return err
}

// noteOf reads who takes a step and what belongs to it from named values.
func noteOf(v url.Values) (alerts.StepNote, error) {
	n := alerts.StepNote{Who: v.Get("by"), Why: v.Get("reason")}
	if s := v.Get("day"); s != "" {
		d, err := shop.ParseDay(s)
		if err != nil {
			return n, err
		}
		n.Slot = &alerts.Slot{Day: d, Bay: v.Get("bay"), Technician: v.Get("technician"), Service: v.Get("service") == "true"}
	}
	if s := v.Get("until"); s != "" {
		t, err := parseTime(s)
		if err != nil {
			return n, fmt.Errorf("until: %w", err)
		}
		n.Until = t
	}
	return n, nil
}

// outcomeOf reads an outcome from named values, as the command line gives it.
func outcomeOf(v url.Values, now time.Time) (alerts.Outcome, error) {
	o := alerts.Outcome{Key: v.Get("key"), At: now, Who: v.Get("by"), Found: alerts.Found(v.Get("found")), Complaint: v.Get("complaint"), Cause: v.Get("cause"),
		Correction: v.Get("correction"), Other: v.Get("other"), Parts: v.Get("parts")}
	if o.Key == "" {
		o.Key = uuid.NewString()
	}
	if s := v.Get("date"); s != "" {
		t, err := parseTime(s)
		if err != nil {
			return o, fmt.Errorf("date: %w", err)
		}
		o.At = t
	}
	for name, to := range map[string]**float64{"hours": &o.Hours, "odometer_km": &o.OdometerKm} {
		if s := v.Get(name); s != "" {
			f, err := strconv.ParseFloat(s, 64)
			if err != nil {
				return o, fmt.Errorf("%s %q is no number", name, s)
			}
			*to = &f
		}
	}
	for name, to := range map[string]**bool{"codes_cleared": &o.CodesCleared, "reprogrammed": &o.Reprogrammed} {
		switch s := v.Get(name); s {
		case "":
		case "yes", "no":
			b := s == "yes"
			*to = &b
		default:
			return o, fmt.Errorf("%s %q: yes or no", name, s)
		}
	}
	return o, nil
}

// orderWhole is an order with its alerts and history, as data.
type orderWhole struct {
	*alerts.WorkOrder
	AlertList []alerts.Alert      `json:"alert_list"`
	History   []alerts.OrderEntry `json:"history"`
	Steps     []alerts.Step       `json:"steps"` // possible now
}

func addOutcome(l *listing, o *alerts.WorkOrder) {
	if o.Slot != nil {
		l.add("day", strings.Join(strings.Fields(fmt.Sprintf("%s %s %s", o.Slot.Day, o.Slot.Bay, o.Slot.Technician)), " "))
	}
	if o.Deferred != nil {
		l.add("deferred", fmt.Sprintf("until %s by %s: %s", cell(o.Deferred.Until), o.Deferred.Who, o.Deferred.Why))
	}
	if o.WaitingFor != "" {
		l.add("waiting_for", o.WaitingFor)
	}
	for _, x := range o.Outcomes {
		l.add("visit", fmt.Sprintf("%s %s: %s. Cause: %s. Correction: %s.", cell(x.At), x.Who, x.Found, x.Cause, x.Correction))
		if x.Verdict != nil {
			l.add("proof", string(x.Verdict.State)+": "+x.Verdict.Words)
		}
	}
	if o.Comebacks > 0 {
		l.add("comebacks", o.Comebacks)
	}
}

// entryLine is one step of an order's history for people.
func entryLine(h alerts.OrderEntry) string {
	s := fmt.Sprintf("%s %s: %s -> %s. %s", cell(h.At), h.Who, h.From, h.To, h.Why)
	if len(h.Body) > 0 {
		var v any
		if json.Unmarshal(h.Body, &v) == nil {
			s += " " + string(h.Body)
		}
	}
	return s
}
