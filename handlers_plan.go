package main

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"marginline/alerts/schedule"
	"marginline/alerts/shop"
)

func (a *app) showPlan(w http.ResponseWriter, r *http.Request) error {
	days := planDays
	if v := r.FormValue("days"); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > 366 {
			return fmt.Errorf("--days: %q: 1 to 366", v)
		}
		days = n
	}
	var file *shop.File
	if r.Method == http.MethodPost { // what if
		var err error
		if file, err = shop.ReadFile(http.MaxBytesReader(w, r.Body, 1<<20)); err != nil {
			return err
		}
	}
	p, err := a.floor.Plan(r.Context(), days, file)
	if err != nil {
		return err
	}
	if d := r.FormValue("depot"); d != "" {
		p.Visits = slices.DeleteFunc(p.Visits, func(v schedule.Visit) bool { return v.Depot != d })
		p.Clashes = slices.DeleteFunc(p.Clashes, func(c schedule.Clash) bool { return c.Depot != d })
		p.Loads = slices.DeleteFunc(p.Loads, func(l schedule.Load) bool { return l.Depot != d })
	}
	if r.FormValue("form") == "json" {
		return writeJSON(w, p)
	}
	l := listing{columns: []string{"depot", "day", "unit", "kind", "bay", "technician", "hours", "job", "reason"}}
	for _, c := range p.Clashes {
		bumps := []string{}
		for _, b := range c.Bumps {
			bumps = append(bumps, b.Unit+" of "+b.Day.String())
		}
		reason := c.Reason
		if len(bumps) > 0 {
			reason += " Would have to move: " + strings.Join(bumps, ", ") + "."
		}
		l.add(c.Depot, "", c.Unit, "clash", "", "", "", c.ID, reason)
	}
	for _, v := range p.Visits {
		l.add(v.Depot, v.Day.String(), v.Unit, string(v.Kind), v.Bay, v.Technician, v.Hours, v.Job, strings.Join(append([]string{v.Reason}, v.Prepare...), " "))
	}
	for _, x := range p.Waiting {
		until := ""
		if x.Until != nil {
			until = x.Until.String()
		}
		l.add("", until, x.Unit, x.Why, "", "", "", x.ID, x.Reason)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) acceptPlan(w http.ResponseWriter, r *http.Request) error {
	o, err := a.floor.Accept(r.Context(), r.PathValue("job"), r.FormValue("by"))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s: unit %s on %s\n", o.ID, o.Unit, o.Slot.Day)
	return err
}
