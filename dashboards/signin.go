package dashboards

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"marginline/dashboards/people"
)

// peopleRoutes are the pages of sign-in, of one's own account, and of the people.
func (s *Server) peopleRoutes(page func(string, func(http.ResponseWriter, *http.Request) error)) {
	if s.deps.People == nil {
		return
	}
	page("GET /sign-in", s.signIn)
	page("POST /sign-in", s.takeSignIn)
	page("GET /sign-in/provider", s.toProvider)
	page("GET /sign-in/back", s.fromProvider)
	page("POST /sign-out", s.signOut)
	page("GET /account", s.account)
	page("POST /account/password", s.takePassword)
	page("POST /account/keys", s.makeKey)
	page("POST /account/keys/{key}/revoke", s.revokeOwn)
	page("GET /people", s.people)
	page("POST /people", s.addPerson)
	page("POST /people/{name}/{verb}", s.changePerson)
	page("POST /people/{name}/keys/{key}/revoke", s.revokeKey)
}

type signInPage struct {
	Needed   bool
	Provider bool
	Local    bool // somebody has a password here
	Name     string
	Next     string
	Fault    string
	Plain    bool // the connection is not encrypted
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	return s.showSignIn(w, r, http.StatusOK, "")
}

func (s *Server) showSignIn(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	p := signInPage{Needed: s.deps.People.Required(), Provider: s.deps.Provider != nil, Next: homeward(r.FormValue("next")), Name: r.PostFormValue("name"), Fault: fault, Plain: r.TLS == nil}
	for _, x := range s.deps.People.List() {
		p.Local = p.Local || !x.Outside
	}
	w.Header().Set("Cache-Control", "no-store")
	return s.show(w, r, status, "signin", view{Title: "Sign in", Bare: true, Body: p})
}

func (s *Server) takeSignIn(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 16<<10)
	if !s.deps.People.Required() {
		return s.showSignIn(w, r, http.StatusConflict, "")
	}
	tok, err := s.deps.People.SignIn(r.Context(), r.PostFormValue("name"), r.PostFormValue("password"), address(r))
	var slow people.Slowed
	switch {
	case errors.As(err, &slow):
		seconds := int(slow.Wait/time.Second) + 1
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		return s.showSignIn(w, r, http.StatusTooManyRequests, "Too many wrong tries. Try again in "+plural(seconds, "second", "seconds")+".")
	case errors.Is(err, people.ErrDenied):
		return s.showSignIn(w, r, http.StatusUnauthorized, "Name or password is not right.")
	case errors.Is(err, people.ErrBusy):
		return s.showSignIn(w, r, http.StatusServiceUnavailable, "Many people sign in at this moment. Try again.")
	case err != nil:
		return err
	}
	s.enter(w, r, tok)
	http.Redirect(w, r, homeward(r.PostFormValue("next")), http.StatusSeeOther)
	return nil
}

// enter gives the browser a session; one that it brought along ends.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, tok string) {
	if old, err := r.Cookie(sessionCookie(r)); err == nil && old.Value != tok {
		if err := s.deps.People.End(r.Context(), old.Value); err != nil {
			s.log.Warn("the session before was not ended", "err", err)
		}
	}
	http.SetCookie(w, &http.Cookie{Name: sessionCookie(r), Value: tok, Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode})
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	if err := s.deps.People.SignOut(r.Context(), people.From(r.Context())); err != nil {
		return err
	}
	http.SetCookie(w, &http.Cookie{Name: sessionCookie(r), Path: "/", MaxAge: -1, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode})
	w.Header().Set("Clear-Site-Data", `"cache"`) // not storage: a phone may hold outcomes that were not sent yet
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

const stateCookie = "sign-in"

// toProvider sends the browser to the provider of OpenID Connect.
func (s *Server) toProvider(w http.ResponseWriter, r *http.Request) error {
	if s.deps.Provider == nil {
		return errNoPage
	}
	to, state, err := s.deps.Provider.Begin(r.Context(), homeward(r.FormValue("next")))
	if err != nil {
		s.log.Error("sign-in by OpenID Connect", "err", err)
		return s.showSignIn(w, r, http.StatusBadGateway, "The provider cannot be reached. Try again in a moment, or sign in with a name and password of this service.")
	}
	http.SetCookie(w, &http.Cookie{Name: stateCookie, Value: state, Path: "/sign-in", MaxAge: 600, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode})
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// fromProvider takes what the browser brings back from there.
func (s *Server) fromProvider(w http.ResponseWriter, r *http.Request) error {
	if s.deps.Provider == nil {
		return errNoPage
	}
	kept := ""
	if c, err := r.Cookie(stateCookie); err == nil {
		kept = c.Value
	}
	http.SetCookie(w, &http.Cookie{Name: stateCookie, Path: "/sign-in", MaxAge: -1, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode})
	tok, next, err := s.deps.Provider.Finish(r.Context(), kept, r.URL.Query(), address(r))
	if err != nil {
		s.log.Warn("sign-in by OpenID Connect", "err", err)
		return s.showSignIn(w, r, http.StatusUnauthorized, "The sign-in at the provider did not work, or gives you no role here. Begin again; if it stays, ask whoever administers the service: the reason is in the log.")
	}
	s.enter(w, r, tok)
	http.Redirect(w, r, next, http.StatusSeeOther)
	return nil
}
