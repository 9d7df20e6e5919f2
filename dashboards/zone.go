package dashboards

import (
	"fmt"
	"html"
	"html/template"
	"sync"
	"time"
	_ "time/tzdata" // the zones of depots are known on machines without a zone database
)

// zones finds the time zone of a depot by its name, once.
type zones struct {
	mu    sync.Mutex
	known map[string]*time.Location
}

// named is the zone of that name; UTC where the name is empty or unknown.
func (z *zones) named(name string) *time.Location {
	z.mu.Lock()
	defer z.mu.Unlock()
	if loc, ok := z.known[name]; ok {
		return loc
	}
	loc, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		loc = time.UTC
	}
	if z.known == nil {
		z.known = map[string]*time.Location{}
	}
	z.known[name] = loc
	return loc
}

// zone is in which times of a unit are shown: the reader's choice, else that of its depot.
func (s *Server) zone(unit string) *time.Location {
	if s.reader.zone != nil {
		return s.reader.zone
	}
	if u := s.deps.Roster.Unit(unit); u != nil {
		return s.zones.named(u.TimeZone)
	}
	return time.UTC
}

// A moment is an instant to be shown in a zone.
type moment struct {
	At   time.Time
	Zone *time.Location
}

func (m moment) IsZero() bool { return m.At.IsZero() }

// tag writes the instant as people there would, with UTC on hover and in the markup.
func (m moment) tag(form string) template.HTML {
	if m.At.IsZero() {
		return "–"
	}
	utc := m.At.UTC()
	return template.HTML(fmt.Sprintf(`<time datetime="%s" title="%s UTC">%s</time>`,
		utc.Format(time.RFC3339), utc.Format("2006-01-02 15:04:05"), html.EscapeString(m.At.In(m.Zone).Format(form))))
}

// Day is the day, such as 9 Apr 2026.
func (m moment) Day() template.HTML { return m.tag("2 Jan 2006") }

// Stamp is day and time of day with the zone's name.
func (m moment) Stamp() template.HTML { return m.tag("2 Jan 2006, 15:04 MST") }

// Short is the day, for narrow tables.
func (m moment) Short() template.HTML { return m.tag("2 Jan 06") }

// Clock is day and time of day, for what is not long ago.
func (m moment) Clock() template.HTML { return m.tag("Mon 15:04 MST") }
