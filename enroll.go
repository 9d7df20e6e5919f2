package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"marginline/ingest/broker"
	"marginline/ingest/enroll"
	"marginline/ingest/fleet"
)

// A dongleList knows which dongles may publish.
type dongleList interface {
	Any() bool
	NATS(nkey string, nonce []byte, signature string) (enroll.Right, error)
	MQTT(user, password string) (enroll.Right, error)
	Live(key string) bool
}

// register is the list of dongles as the broker asks for it.
type register struct {
	dongleList
	always bool
}

func (r register) Required() bool { return r.always || r.Any() }

func (r register) NATS(nkey string, nonce []byte, signature string) (broker.Pass, error) {
	p, err := r.dongleList.NATS(nkey, nonce, signature)
	return broker.Pass(p), err
}

func (r register) MQTT(user, password string) (broker.Pass, error) {
	p, err := r.dongleList.MQTT(user, password)
	return broker.Pass(p), err
}

// dongleCopy is the list of dongles for the brokers of all nodes.
func dongleCopy(cfg config) string { return filepath.Join(cfg.Data, "dongles.json") }

// mustSignIn says whether dongles need a credential even before the first is enrolled: as set, and always where
// other machines reach the broker.
func (c *config) mustSignIn() bool {
	for _, addr := range []string{c.Broker.Listen, c.Broker.MQTT} {
		if addr == "" {
			continue
		}
		if here, err := local(addr); err != nil || !here {
			return true
		}
	}
	return c.Broker.Auth == "required"
}

func (a *app) openBroker(ctx context.Context) (err error) {
	if a.dongles, err = enroll.Open(ctx, a.db); err != nil {
		return err
	}
	if !a.lent {
		a.broker, err = openBroker(ctx, a.cfg, a.dongles, broker.Cluster{}, a.log)
	} else {
		err = a.dongles.WriteCopy(dongleCopy(a.cfg))
	}
	if err != nil {
		return err
	}
	for _, reason := range broker.Reasons() {
		a.reg.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "marginline_dongle_turned_away_total",
			Help: "Connections of dongles that were refused or closed, by reason.", ConstLabels: prometheus.Labels{"reason": reason}},
			func() float64 { return float64(a.broker.Turned()[reason]) }))
	}
	return nil
}

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
