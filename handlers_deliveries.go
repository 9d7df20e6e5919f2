package main

import (
	"fmt"
	"net/http"
)

func (a *app) listDeliveries(w http.ResponseWriter, r *http.Request) error {
	list, err := a.floor.Deliveries(r.Context())
	if err != nil {
		return err
	}
	l := listing{columns: []string{"target", "id", "type", "unit", "added_at", "state", "tries", "next_at", "said", "error"}}
	for _, s := range list {
		l.add(s.Target, s.ID, s.Type, s.Unit, s.Added, s.State, s.Tries, s.NextAt, s.Said, s.Error)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) listReceivers(w http.ResponseWriter, r *http.Request) error {
	list, err := a.floor.Receivers(r.Context())
	if err != nil {
		return err
	}
	l := listing{columns: []string{"name", "way", "where", "when", "waiting", "taken", "failed"}}
	for _, t := range list {
		l.add(t.Name, t.Way, t.Where, t.When, t.Waiting, t.Taken, t.Failed)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) testDelivery(w http.ResponseWriter, r *http.Request) error {
	s, err := a.floor.TestDelivery(r.Context(), r.FormValue("to"), r.FormValue("by"))
	if err != nil {
		return err
	}
	if s.State != "taken" {
		return fmt.Errorf("%s: %s", s.Target, s.Error)
	}
	_, err = fmt.Fprintf(w, "%s: %s\n", s.Target, s.Said)
	return err
}
