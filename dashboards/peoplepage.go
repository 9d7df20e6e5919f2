package dashboards

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"marginline/dashboards/people"
)

type peoplePage struct {
	Needed  bool
	Rows    []personRow
	Roles   []people.Role
	Depots  []string
	Changes []changeRow
	Fault   string
	Made    string // a password, shown once
	For     string // whose it is
	Typed   people.Person
}

type personRow struct {
	people.Person
	Last moment
	Keys []keyRow
	Mine bool
}

type changeRow struct {
	people.Change
	When moment
}

// changeRows is how many changes the page shows.
const changeRows = 200

func (s *Server) people(w http.ResponseWriter, r *http.Request) error {
	return s.showPeople(w, r, http.StatusOK, peoplePage{})
}

func (s *Server) showPeople(w http.ResponseWriter, r *http.Request, status int, p peoplePage) error {
	p.Needed, p.Roles = s.deps.People.Required(), slices.Clone(people.Roles)
	slices.Reverse(p.Roles)
	for _, u := range s.deps.Roster.Units() {
		if u.Depot != "" && !slices.Contains(p.Depots, u.Depot) {
			p.Depots = append(p.Depots, u.Depot)
		}
	}
	slices.Sort(p.Depots)
	zone := s.readersZone()
	me := people.From(r.Context())
	for _, x := range s.deps.People.List() {
		p.Rows = append(p.Rows, personRow{x, moment{x.LastSeen, zone}, s.keyRows(x.Name), me != nil && me.Person == x.Name})
	}
	changes, err := s.deps.People.Changes(r.Context(), changeRows)
	if err != nil {
		return err
	}
	for _, c := range changes {
		p.Changes = append(p.Changes, changeRow{c, moment{c.At, zone}})
	}
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "people", view{Title: "People", Nav: "people", Body: p})
}

// depotsOf reads depots from a form: one field each, or one with semicolons between.
func depotsOf(r *http.Request) (out []string) {
	for _, v := range r.PostForm["depots"] {
		for _, d := range strings.Split(v, ";") {
			if d = strings.TrimSpace(d); d != "" {
				out = append(out, d)
			}
		}
	}
	return out
}

func (s *Server) addPerson(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	v := r.PostFormValue
	p := people.Person{Name: v("name"), Full: v("full"), Role: people.Role(v("role")), Depots: depotsOf(r)}
	made, err := s.deps.People.Add(r.Context(), people.Who(r.Context(), "local"), p, v("password"))
	if err != nil {
		if words, is := peopleFault(err); is {
			return s.showPeople(w, r, http.StatusUnprocessableEntity, peoplePage{Fault: words, Typed: p})
		}
		return err
	}
	return s.shownOnce(w, r, strings.ToLower(strings.TrimSpace(p.Name)), made)
}

// shownOnce shows a password that was made; without one it goes back to the list.
func (s *Server) shownOnce(w http.ResponseWriter, r *http.Request, name, made string) error {
	if made == "" {
		http.Redirect(w, r, "/people", http.StatusSeeOther)
		return nil
	}
	return s.showPeople(w, r, http.StatusOK, peoplePage{Made: made, For: name})
}

func (s *Server) changePerson(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	ctx, name, by := r.Context(), r.PathValue("name"), people.Who(r.Context(), "local")
	_ = r.ParseForm()
	var err error
	made := ""
	switch r.PathValue("verb") {
	case "role":
		err = s.deps.People.SetRole(ctx, by, name, people.Role(r.PostFormValue("role")), depotsOf(r))
	case "disable":
		err = s.deps.People.Disable(ctx, by, name)
	case "enable":
		err = s.deps.People.Enable(ctx, by, name)
	case "password":
		made, err = s.deps.People.ResetPassword(ctx, by, name, "")
	default:
		return errNoPage
	}
	switch words, is := peopleFault(err); {
	case errors.Is(err, people.ErrNotFound):
		return missing{"person", name, "The list of people has everybody."}
	case is:
		return s.showPeople(w, r, http.StatusUnprocessableEntity, peoplePage{Fault: words})
	case err != nil:
		return err
	}
	return s.shownOnce(w, r, name, made)
}

func (s *Server) revokeKey(w http.ResponseWriter, r *http.Request) error {
	if err := s.deps.People.Revoke(r.Context(), people.Who(r.Context(), "local"), r.PathValue("name"), r.PathValue("key")); err != nil {
		return s.noKey(err, r)
	}
	http.Redirect(w, r, "/people", http.StatusSeeOther)
	return nil
}

// note records a change that no other history keeps.
func (s *Server) note(r *http.Request, what, about string) error {
	if s.deps.People == nil {
		return nil
	}
	return s.deps.People.Note(r.Context(), people.Who(r.Context(), "local"), what, about, "")
}
