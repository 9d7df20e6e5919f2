package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"marginline/ingest/enroll"
	"marginline/ingest/fleet"
)

func (a *app) enrollHandlers(handle func(string, func(http.ResponseWriter, *http.Request) error)) {
	handle("GET /dongles", a.listDongles)
	handle("GET /dongles/history", a.dongleHistory)
	handle("POST /dongles/{device}/{verb}", a.changeDongle)
}

func (a *app) listDongles(w http.ResponseWriter, r *http.Request) error {
	l := listing{columns: []string{"device", "unit", "state", "issued_at", "ends_at"}}
	for _, d := range a.dongles.List() {
		unit := ""
		if u := carrier(a.roster.Load(), d.Device); u != nil {
			unit = u.Unit
		}
		var ends any
		if !d.Ends.IsZero() {
			ends = d.Ends
		}
		l.add(d.Device, unit, d.State, d.Issued, ends)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) dongleHistory(w http.ResponseWriter, r *http.Request) error {
	events, err := a.dongles.History(r.Context(), r.FormValue("device"))
	if err != nil {
		return err
	}
	l := listing{columns: []string{"at", "device", "what", "who", "detail"}}
	for _, e := range events {
		l.add(e.At, e.Device, e.What, e.Who, e.Detail)
	}
	return l.print(w, r.FormValue("form"))
}

// carrier is the unit that carries a dongle; nil = none does.
func carrier(r *fleet.Roster, device string) *fleet.Unit {
	for _, u := range r.Units() {
		if u.Device == device {
			return u
		}
	}
	return nil
}

func (a *app) changeDongle(w http.ResponseWriter, r *http.Request) error {
	ctx, device, who := r.Context(), r.PathValue("device"), a.by(r.Context(), r.FormValue("by"))
	if a.cfg.Broker.URL != "" {
		return errors.New("broker.url is set: dongles sign in at that NATS server, which has its own list; nothing was done")
	}
	var made *enroll.Credential
	var err error
	switch verb := r.PathValue("verb"); verb {
	case "enroll":
		made, err = a.dongles.Enroll(ctx, device, who)
	case "rotate":
		var overlap time.Duration
		if overlap, err = time.ParseDuration(r.FormValue("overlap")); err != nil {
			return fmt.Errorf("--overlap: %w", err)
		}
		made, err = a.dongles.Rotate(ctx, device, who, overlap)
	case "revoke":
		if err = a.dongles.Revoke(ctx, device, who, r.FormValue("reason")); err == nil {
			a.broker.Disconnect(device)
		}
	case "move":
		return a.moveDongle(ctx, device, r.FormValue("unit"), who)
	default:
		err = fmt.Errorf("%q is nothing that can be done with a dongle", verb)
	}
	if err == nil && a.lent {
		err = a.dongles.WriteCopy(dongleCopy(a.cfg))
	}
	if err != nil || made == nil {
		return err
	}
	a.broker.Disconnect("") // who came in while nobody had to sign in
	if carrier(a.roster.Load(), device) == nil {
		w.Header().Set(noteHeader, fmt.Sprintf("no unit on the roster carries %s yet: its reports are kept, without a unit", device))
	}
	l := listing{columns: []string{"field", "value"}}
	l.add("device", made.Device)
	l.add("nats_seed", made.Seed)
	l.add("nats_nkey", made.Nkey)
	l.add("nats_inbox_prefix", made.Inbox)
	l.add("mqtt_user", made.User)
	l.add("mqtt_password", made.Password)
	return l.print(w, r.FormValue("form"))
}

// moveDongle writes into the roster that another unit carries a dongle from now on.
func (a *app) moveDongle(ctx context.Context, device, unit, who string) error {
	before := a.roster.Load()
	if before.Unit(unit) == nil {
		return fmt.Errorf("unit %q is not on the roster", unit)
	}
	from := ""
	var units []fleet.Unit
	for _, u := range before.Units() {
		moved := *u
		switch {
		case moved.Unit == unit && moved.Device != "" && moved.Device != device:
			return fmt.Errorf("unit %q carries dongle %q: move or revoke that first", unit, moved.Device)
		case moved.Unit == unit:
			moved.Device = device
		case moved.Device == device:
			if from, moved.Device = moved.Unit, ""; moved.VIN == "" {
				return fmt.Errorf("unit %q is known by this dongle alone: give it a VIN in the roster first", moved.Unit)
			}
		}
		units = append(units, moved)
	}
	if from == "" && before.Unit(unit).Device == device {
		return fmt.Errorf("unit %q carries %q already", unit, device)
	}
	next, err := fleet.New(units)
	if err != nil {
		return err
	}
	if err := a.setRoster(ctx, next); err != nil {
		return err
	}
	return a.dongles.Moved(ctx, device, from, unit, who)
}
