package dashboards

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

// A reader is what one person chose about how pages show things. It is kept in two cookies; the address may
// override it for one page (?zone=UTC&units=us), so that a link shows what its sender saw.
type reader struct {
	zone *time.Location // nil: each depot's own
	us   bool           // US customary units instead of metric ones
}

const (
	zoneCookie  = "zone"
	unitsCookie = "units"
	chosenFor   = 365 * 24 * 3600 // seconds
)

// readerOf is what the request asks for. What is unknown counts as not chosen.
func (s *Server) readerOf(r *http.Request) reader {
	chosen := func(name string) string {
		if v := r.URL.Query().Get(name); v != "" {
			return v
		}
		if c, err := r.Cookie(name); err == nil {
			v, _ := url.QueryUnescape(c.Value)
			return v
		}
		return ""
	}
	out := reader{us: chosen(unitsCookie) == "us"}
	if name := chosen(zoneCookie); name != "" && len(name) < 64 {
		if loc := s.zones.named(name); loc != time.UTC || name == "UTC" {
			out.zone = loc
		}
	}
	return out
}

// others are the sites for readers who chose something: the same server with other words and zones. A site
// holds its own templates, since these write times and quantities.
type others struct {
	mu    sync.Mutex
	sites map[reader]http.Handler
}

// otherSites is how many are kept; zones times units that are used at once are few.
const otherSites = 32

// choosing answers each reader with the site of their choice; base is the one for those who chose nothing.
func (s *Server) choosing(base http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if rd := s.readerOf(r); rd != (reader{}) {
			s.siteFor(rd, base).ServeHTTP(w, r)
			return
		}
		base.ServeHTTP(w, r)
	})
}

func (s *Server) siteFor(rd reader, base http.Handler) http.Handler {
	s.others.mu.Lock()
	defer s.others.mu.Unlock()
	if h := s.others.sites[rd]; h != nil {
		return h
	}
	c := *s
	c.reader, c.routed = rd, &routed{}
	p, err := loadPages(pageFiles, &c)
	if err != nil { // they were read once already
		s.log.Error("pages of a reader", "err", err)
		return base
	}
	c.pages = p
	if len(s.others.sites) >= otherSites || s.others.sites == nil {
		s.others.sites = map[reader]http.Handler{}
	}
	h := c.mux()
	s.others.sites[rd] = h
	return h
}

// choose keeps what a reader chose and goes back to the page they came from.
func (s *Server) choose(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 8<<10)
	keep := func(name, value string) {
		c := &http.Cookie{Name: name, Value: url.QueryEscape(value), Path: "/", MaxAge: chosenFor, HttpOnly: true, SameSite: http.SameSiteLaxMode}
		if value == "" {
			c.MaxAge = -1
		}
		http.SetCookie(w, c)
	}
	zone, units := r.PostFormValue(zoneCookie), r.PostFormValue(unitsCookie)
	if len(zone) > 63 || units != "us" && units != "" {
		zone, units = "", ""
	}
	keep(zoneCookie, zone)
	keep(unitsCookie, units)
	http.Redirect(w, r, homeward(r.PostFormValue("back")), http.StatusSeeOther)
	return nil
}

// homeward is a path of this site, or Today where it is none. What the address chose is taken out of it, so
// that the new choice counts.
func homeward(back string) string {
	u, err := url.Parse(back)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(back, "//") || strings.Contains(back, `\`) {
		return "/"
	}
	q := u.Query()
	q.Del(zoneCookie)
	q.Del(unitsCookie)
	u.RawQuery = q.Encode()
	return u.RequestURI()
}

// A choice is what the foot of a page offers.
type choice struct {
	Zones []string
	Zone  string // "" for each depot's own
	US    bool
	Back  string
}

func (s *Server) choiceOf(r *http.Request) *choice {
	c := &choice{Zones: []string{"UTC"}, US: s.reader.us, Back: "/"}
	for _, u := range s.deps.Roster.Units() {
		if loc := s.zones.named(u.TimeZone); !slices.Contains(c.Zones, loc.String()) {
			c.Zones = append(c.Zones, loc.String())
		}
	}
	if s.reader.zone != nil {
		c.Zone = s.reader.zone.String()
		if !slices.Contains(c.Zones, c.Zone) {
			c.Zones = append(c.Zones, c.Zone)
		}
	}
	slices.SortFunc(c.Zones, func(a, b string) int { return cmp.Compare(a, b) })
	if r.Method == http.MethodGet {
		c.Back = r.URL.RequestURI()
	}
	return c
}

// zoneWords says whose days a page of several depots shows.
func (s *Server) zoneWords() string {
	if s.reader.zone != nil {
		return "Times are " + s.reader.zone.String()
	}
	return "Days are those of each unit’s depot"
}

// readersZone is the zone for what belongs to no depot.
func (s *Server) readersZone() *time.Location {
	if s.reader.zone != nil {
		return s.reader.zone
	}
	return time.UTC
}
