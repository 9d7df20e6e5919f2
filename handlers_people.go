package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"marginline/dashboards/people"
)

// peopleHandlers answer the commands about people. Passwords come and go in bodies, never in an address.
func (a *app) peopleHandlers(handle func(string, func(http.ResponseWriter, *http.Request) error)) {
	handle("GET /people", a.listPeople)
	handle("POST /people", a.addPerson)
	handle("POST /people/{name}/{verb}", a.changePerson)
	handle("GET /people/changes", a.listChanges)
	handle("GET /people/keys", a.listKeys)
	handle("POST /people/{name}/keys/new", a.addKey)
	handle("POST /people/keys/{key}/revoke", a.revokeKey)
}

func (a *app) listPeople(w http.ResponseWriter, r *http.Request) error {
	l := listing{columns: []string{"name", "full", "role", "depots", "state", "last_sign_in", "made_at"}}
	for _, p := range a.people.List() {
		state := "active"
		switch {
		case p.Disabled:
			state = "disabled"
		case p.Temporary:
			state = "must change the password"
		case p.Outside:
			state = "signs in at the provider"
		}
		l.add(p.Name, p.Full, string(p.Role), strings.Join(p.Depots, "; "), state, p.LastSeen, p.MadeAt)
	}
	return l.print(w, r.FormValue("form"))
}

// secretOf reads a password from the body; "" where there is none.
func secretOf(w http.ResponseWriter, r *http.Request) (string, error) {
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 4096))
	if err != nil {
		return "", fmt.Errorf("password: %w", err)
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

func (a *app) addPerson(w http.ResponseWriter, r *http.Request) error {
	password, err := secretOf(w, r)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	p := people.Person{Name: q.Get("name"), Full: q.Get("full"), Role: people.Role(q.Get("role")), Depots: q["depot"]}
	made, err := a.people.Add(r.Context(), a.by(r.Context(), ""), p, password)
	if err != nil {
		return err
	}
	return saySecret(w, "password", made)
}

// saySecret prints what was made, if anything was, and is shown this once.
func saySecret(w io.Writer, what, made string) error {
	if made == "" {
		return nil
	}
	_, err := fmt.Fprintf(w, "%s: %s\n", what, made)
	return err
}

func (a *app) changePerson(w http.ResponseWriter, r *http.Request) error {
	ctx, name, by := r.Context(), r.PathValue("name"), a.by(r.Context(), "")
	q := r.URL.Query()
	switch verb := r.PathValue("verb"); verb {
	case "role":
		return a.people.SetRole(ctx, by, name, people.Role(q.Get("role")), q["depot"])
	case "disable":
		return a.people.Disable(ctx, by, name)
	case "enable":
		return a.people.Enable(ctx, by, name)
	case "password":
		password, err := secretOf(w, r)
		if err != nil {
			return err
		}
		made, err := a.people.ResetPassword(ctx, by, name, password)
		if err != nil {
			return err
		}
		return saySecret(w, "password", made)
	default:
		return fmt.Errorf("unknown change %q", verb)
	}
}

func (a *app) listChanges(w http.ResponseWriter, r *http.Request) error {
	n := 1000
	if v := r.FormValue("max"); v != "" {
		var err error
		if n, err = strconv.Atoi(v); err != nil || n < 1 {
			return fmt.Errorf("max %q: want a positive number", v)
		}
	}
	list, err := a.people.Changes(r.Context(), n)
	if err != nil {
		return err
	}
	l := listing{columns: []string{"at", "who", "what", "about", "detail"}}
	for _, c := range list {
		l.add(c.At, c.Who, c.What, c.About, c.Detail)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) listKeys(w http.ResponseWriter, r *http.Request) error {
	l := listing{columns: []string{"id", "owner", "label", "role", "made_at", "ends_at", "last_used", "revoked"}}
	for _, k := range a.people.Keys(r.FormValue("of")) {
		l.add(k.ID, k.Owner, k.Label, string(k.Role), k.MadeAt, k.EndsAt, k.LastUsed, k.Revoked)
	}
	return l.print(w, r.FormValue("form"))
}

func (a *app) addKey(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	days, err := strconv.Atoi(q.Get("days"))
	if err != nil || days < 1 || days > 366 {
		return fmt.Errorf("--days %q: 1 to 366", q.Get("days"))
	}
	key, err := a.people.AddKey(r.Context(), a.by(r.Context(), ""), r.PathValue("name"), q.Get("label"), people.Role(q.Get("role")), time.Now().AddDate(0, 0, days))
	if err != nil {
		return err
	}
	if p, err := a.people.Person(r.PathValue("name")); err == nil && p.Temporary {
		w.Header().Set(noteHeader, "The key opens nothing until "+p.Name+" has signed in and changed the password that was given to them.")
	}
	return saySecret(w, "key", key)
}

func (a *app) revokeKey(_ http.ResponseWriter, r *http.Request) error {
	return a.people.Revoke(r.Context(), a.by(r.Context(), ""), "", r.PathValue("key"))
}

// note records a change that no other history keeps, in the name of whoever made it.
func (a *app) note(ctx context.Context, what, about, detail string) error {
	return a.people.Note(ctx, a.by(ctx, ""), what, about, detail)
}
