package dashboards

import (
	"net"
	"net/http"
	"net/url"
	"strings"

	"marginline/dashboards/people"
)

// mostBody bounds what a request may send, whatever its route reads of it.
const mostBody = 2 << 20

// identify finds out who a request is from, and keeps its body within bounds. Where nobody has to sign in it adds nobody.
func (s *Server) identify(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		if s.deps.People == nil || !s.deps.People.Required() {
			next.ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(w, r.WithContext(people.With(r.Context(), s.caller(r))))
	})
}

// caller is who shows a key or a session; somebody who may do nothing where neither holds.
func (s *Server) caller(r *http.Request) *people.Caller {
	if scheme, key, ok := strings.Cut(r.Header.Get("Authorization"), " "); ok && strings.EqualFold(scheme, "bearer") {
		if c := s.deps.People.Bearer(r.Context(), strings.TrimSpace(key)); c != nil {
			return c
		}
		return people.Nobody()
	}
	if k, err := r.Cookie(sessionCookie(r)); err == nil {
		if c := s.deps.People.Session(r.Context(), k.Value, r.URL.Path != "/events"); c != nil {
			return c
		}
	}
	return people.Nobody()
}

// sessionCookie names the cookie of a session. Under TLS the name itself makes browsers insist on Secure, this host and the whole path.
func sessionCookie(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-session"
	}
	return "session"
}

func address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// guard lets through who may use a route.
func (s *Server) guard(pattern string, next http.Handler) http.Handler {
	n, listed := access[pattern]
	if !listed {
		s.routed.unlisted = append(s.routed.unlisted, pattern)
	}
	s.routed.all = append(s.routed.all, pattern)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.deps.People == nil || !s.deps.People.Required() || n.open {
			next.ServeHTTP(w, r)
			return
		}
		c := people.From(r.Context())
		switch {
		case c == nil || !c.Known():
			s.unknown(w, r, n)
		case c.Key && !n.program:
			s.forbidden(w, r, "An API key does not open this: sign in.")
		case c.Temporary && !n.self:
			if r.Method != http.MethodGet || n.program {
				s.forbidden(w, r, "First change the password that you were given.")
				return
			}
			http.Redirect(w, r, "/account", http.StatusSeeOther)
		case !n.self && !c.May(n.may):
			s.forbidden(w, r, "Your role does not include this.")
		case c.Bound() && !s.own(c, r):
			s.notFound(w, r)
		default:
			w.Header().Add("Vary", "Cookie")
			next.ServeHTTP(w, r)
		}
	})
}

// own says whether the unit or depot that an address names belongs to the caller's depots.
func (s *Server) own(c *people.Caller, r *http.Request) bool {
	if unit := r.PathValue("unit"); unit != "" {
		u := s.deps.Roster.Unit(unit)
		return u != nil && c.Sees(u.Depot)
	}
	if depot := r.PathValue("depot"); depot != "" {
		return c.Sees(depot)
	}
	return true
}

// forPeople says whether a page is the answer, and not data.
func forPeople(r *http.Request) bool {
	return !strings.HasPrefix(r.URL.Path, "/api/") && (r.Method != http.MethodGet || strings.Contains(r.Header.Get("Accept"), "text/html") || r.Header.Get("Accept") == "")
}

// unknown answers who has not signed in: with the way to the sign-in, or with a status for programs.
func (s *Server) unknown(w http.ResponseWriter, r *http.Request, n need) {
	w.Header().Set("Cache-Control", "no-store")
	if r.Method == http.MethodGet && !n.program && r.URL.Path != "/events" {
		to := "/sign-in"
		if next := r.URL.RequestURI(); next != "/" && len(next) < 500 {
			to += "?" + url.Values{"next": {next}}.Encode()
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="marginline"`)
	s.refuse(w, r, http.StatusUnauthorized, "Sign in first", "This needs a sign-in, or an API key as a bearer token.")
}

func (s *Server) forbidden(w http.ResponseWriter, r *http.Request, why string) {
	s.refuse(w, r, http.StatusForbidden, "Not allowed", why)
}

func (s *Server) notFound(w http.ResponseWriter, r *http.Request) {
	s.refuse(w, r, http.StatusNotFound, "Not found", "There is nothing at this address for you.")
}

// refuse answers with a page, or with Problem Details (RFC 9457) where a program asked.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, head, text string) {
	if forPeople(r) {
		v := view{Title: head, Bare: status == http.StatusUnauthorized, Body: errorPage{Head: head, Text: text, Hint: "Whoever administers the service can say who may do what."}}
		if err := s.show(w, r, status, "error", v); err == nil {
			return
		}
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(`{"title":` + asJSON(head) + `,"status":` + asJSON(status) + `,"detail":` + asJSON(text) + "}\n"))
}
