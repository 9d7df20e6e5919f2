package dashboards

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// policy lets a page load its own style, script, pictures and data, and nothing from anywhere else; there
// is no inline script and no inline style on any page.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// secure sets the headers that keep a page to itself and refuses requests that reach us under a name that
// is not ours: a page elsewhere could point its own name at this address and then read our answers.
func (s *Server) secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if !s.ours(r.Host) {
			http.Error(w, "This service does not answer to the name "+strings.ToValidUTF8(r.Host, "?")+
				". Use its address, such as http://127.0.0.1:8470.", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (s *Server) ours(host string) bool {
	name, _, err := net.SplitHostPort(host)
	if err != nil {
		name = host
	}
	name = strings.ToLower(strings.Trim(name, "[]"))
	if name == "localhost" || slices.Contains(s.cfg.Hosts, name) {
		return true
	}
	_, err = netip.ParseAddr(name)
	return err == nil
}
