package dashboards

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"time"

	"marginline/dashboards/people"
)

type accountPage struct {
	Needed   bool
	Person   people.Person
	Keys     []keyRow
	Roles    []people.Role // a key may have
	Made     string        // a key, shown once
	Fault    string
	Done     string
	Password bool // has one here
}

type keyRow struct {
	people.Key
	Made, Ends, Used moment
	State            string
}

func (s *Server) keyRows(owner string) []keyRow {
	var rows []keyRow
	zone := s.readersZone()
	for _, k := range s.deps.People.Keys(owner) {
		row := keyRow{Key: k, Made: moment{k.MadeAt, zone}, Ends: moment{k.EndsAt, zone}, Used: moment{k.LastUsed, zone}, State: "in force"}
		switch {
		case !k.Revoked.IsZero():
			row.State = "revoked"
		case !s.deps.Now().Before(k.EndsAt):
			row.State = "ended"
		}
		rows = append(rows, row)
	}
	return rows
}

func (s *Server) account(w http.ResponseWriter, r *http.Request) error {
	return s.showAccount(w, r, http.StatusOK, accountPage{})
}

func (s *Server) showAccount(w http.ResponseWriter, r *http.Request, status int, p accountPage) error {
	if c := people.From(r.Context()); c != nil {
		var err error
		if p.Person, err = s.deps.People.Person(c.Person); err != nil {
			return err
		}
		p.Needed, p.Password = true, !p.Person.Outside
		p.Keys = s.keyRows(p.Person.Name)
		for _, role := range people.Roles {
			if people.KeyRole(p.Person.Role, role) {
				p.Roles = append(p.Roles, role)
			}
		}
		slices.Reverse(p.Roles)
	}
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "account", view{Title: "Your account", Body: p})
}

// peopleFault is what the register did not take, in words; other errors are not a person's to mend.
func peopleFault(err error) (string, bool) {
	var slow people.Slowed
	switch {
	case errors.As(err, &slow):
		return "Too many wrong tries: " + slow.Error() + ".", true
	case errors.Is(err, people.ErrInput), errors.Is(err, people.ErrNotFound), errors.Is(err, people.ErrBusy):
		return err.Error() + ".", true
	}
	return "", false
}

func (s *Server) takePassword(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	v := r.PostFormValue
	if v("new") != v("again") {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, accountPage{Fault: "The new password was not typed the same twice."})
	}
	tok, err := s.deps.People.ChangePassword(r.Context(), people.From(r.Context()), v("old"), v("new"), address(r))
	if err != nil {
		if words, is := peopleFault(err); is {
			return s.showAccount(w, r, http.StatusUnprocessableEntity, accountPage{Fault: words})
		}
		return err
	}
	s.enter(w, r, tok)
	http.Redirect(w, r, "/account", http.StatusSeeOther)
	return nil
}

func (s *Server) makeKey(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	c := people.From(r.Context())
	if c == nil {
		return s.showAccount(w, r, http.StatusConflict, accountPage{})
	}
	if c.Temporary {
		return s.showAccount(w, r, http.StatusForbidden, accountPage{Fault: "First change the password that you were given."})
	}
	days, err := strconv.Atoi(r.PostFormValue("days"))
	if err != nil {
		days = 0
	}
	key, err := s.deps.People.AddKey(r.Context(), c.Name, c.Person, r.PostFormValue("label"), people.Role(r.PostFormValue("role")), s.deps.Now().Add(time.Duration(min(days, 1000))*24*time.Hour))
	if err != nil {
		if words, is := peopleFault(err); is {
			return s.showAccount(w, r, http.StatusUnprocessableEntity, accountPage{Fault: words})
		}
		return err
	}
	return s.showAccount(w, r, http.StatusOK, accountPage{Made: key})
}

func (s *Server) revokeOwn(w http.ResponseWriter, r *http.Request) error {
	c := people.From(r.Context())
	if c == nil {
		return s.showAccount(w, r, http.StatusConflict, accountPage{})
	}
	if err := s.deps.People.Revoke(r.Context(), c.Name, c.Person, r.PathValue("key")); err != nil {
		return s.noKey(err, r)
	}
	http.Redirect(w, r, "/account", http.StatusSeeOther)
	return nil
}

func (s *Server) noKey(err error, r *http.Request) error {
	if errors.Is(err, people.ErrNotFound) {
		return missing{"key", r.PathValue("key"), "The list of keys has those that there are."}
	}
	return err
}
