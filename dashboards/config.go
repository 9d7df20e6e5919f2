package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/dashboards/people"
)

// Config is the section of the pages.
type Config struct {
	Fleet       string        // name shown in the head of each page
	Version     string        // shown in the foot
	Hosts       []string      // host names, besides addresses and localhost, under which the pages may be asked for
	SilentAfter time.Duration // a unit without a report for this long is silent
	QuietAfter  time.Duration // a unit that reports while no test of it ran for this long is not protected
	Heartbeat   time.Duration // between two signs of life on an event stream
	Units       int           // refolded units kept in memory
}

// DefaultConfig is what a small fleet needs.
func DefaultConfig() Config {
	return Config{
		Fleet:       "Fleet",
		SilentAfter: 72 * time.Hour,
		QuietAfter:  28 * 24 * time.Hour,
		Heartbeat:   15 * time.Second,
		Units:       128,
	}
}

// Validate says everything that is wrong, not only the first.
func (c Config) Validate() error {
	var errs []error
	if c.SilentAfter < time.Hour {
		errs = append(errs, fmt.Errorf("pages.silent_after: %v is too short: at least 1h", c.SilentAfter))
	}
	if c.QuietAfter < c.SilentAfter {
		errs = append(errs, fmt.Errorf("pages.quiet_after: %v is shorter than silent_after", c.QuietAfter))
	}
	if c.Heartbeat < time.Second {
		errs = append(errs, fmt.Errorf("pages.heartbeat: %v is too short: at least 1s", c.Heartbeat))
	}
	if c.Units < 1 {
		errs = append(errs, fmt.Errorf("pages.units: %d: at least 1", c.Units))
	}
	return errors.Join(errs...)
}

// Deps are the stages the pages read. Those after Roster may be nil: the pages then say that they do not
// know. Without SQL there is no page for it, without Shelf no query can be kept.
type Deps struct {
	Book       Book
	Series     Series
	Roster     Roster
	Names      Names
	Codes      Codes
	Facts      Facts
	Uses       Uses
	Background Background
	Health     Health
	Intakes    Intakes
	Reviews    Reviews
	Trials     Trials
	Worths     map[string]analyze.Worth                // what a visit costs and saves, by class of consequence
	Currency   string                                  // of these
	ClassOf    func() func(unit, family string) string // class of a family on a unit, by the roster of the moment
	Quarantine Quarantine
	SQL        SQL
	Shelf      Shelf
	Metrics    http.Handler
	Floor      Floor                              // plan, steps, facts, review; nil leaves these pages out
	Desk       func(context.Context) *alerts.Desk // what advice is made from; nil is the roster alone
	Deliveries Deliveries                         // where events go; nil leaves the page out
	API        http.Handler                       // below /api/; may be nil
	People     *people.Register                   // who may do what; nil lets everybody do everything
	Provider   *people.Provider                   // sign-in by OpenID Connect; may be nil
	Now        func() time.Time                   // the service's clock
}
