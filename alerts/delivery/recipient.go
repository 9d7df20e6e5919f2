package delivery

import (
	"errors"
	"fmt"
	"net/mail"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // zone names mean the same on every machine

	"marginline/alerts"
	"marginline/analyze"
)

// A Recipient is one person or desk that gets mail.
type Recipient struct {
	To       string   `koanf:"to"`        // one address, a name may stand before it: Alder desk <desk@fleet.example>
	Depots   []string `koanf:"depots"`    // none = every depot
	Urgent   []string `koanf:"urgent"`    // classes and kinds that are mailed at once; left out = DefaultUrgent
	Digest   string   `koanf:"digest"`    // local time of the daily digest, such as 06:30; "" = none
	Quiet    string   `koanf:"quiet"`     // hours in which mail is held, such as 21:00-06:00; "" = none
	Break    []string `koanf:"break"`     // classes and kinds that are mailed in quiet hours too
	TimeZone string   `koanf:"time_zone"` // "" = that of the first depot, else UTC
}

// DefaultUrgent is what is mailed at once where a recipient does not say. An assumption: what may hurt someone
// or strand a unit, and what leaves one trip until the lamp.
var DefaultUrgent = []string{string(alerts.Stop), string(alerts.RoadCall), string(analyze.Imminent), string(analyze.Failed), string(alerts.Reported)}

// calls are the words that Urgent and Break may hold: consequence classes, kinds of alert, and all.
var calls = []string{"all", string(alerts.Stop), string(alerts.RoadCall), string(alerts.Compliance), string(alerts.Cost), string(alerts.Note),
	string(analyze.Drift), string(analyze.Jump), string(analyze.Imminent), string(analyze.Failed), string(analyze.Intermittent), string(analyze.Surprise), string(analyze.NotRunning), string(alerts.Reported)}

// Places know where units are.
type Places interface {
	Depot(unit string) string         // "" where the roster does not say
	Zone(depot string) *time.Location // nil where nobody says
}

// address is the one address of the recipient.
func (r *Recipient) address() (*mail.Address, error) {
	a, err := mail.ParseAddress(r.To)
	if err != nil {
		return nil, fmt.Errorf("to %q is no mail address such as desk@fleet.example", r.To)
	}
	return a, nil
}

// Validate finds every fault.
func (r *Recipient) Validate() error {
	var errs []error
	if _, err := r.address(); err != nil {
		errs = append(errs, err)
	}
	for _, list := range []struct {
		name  string
		words []string
	}{{"urgent", r.Urgent}, {"break", r.Break}} {
		for _, w := range list.words {
			if !slices.Contains(calls, w) {
				errs = append(errs, fmt.Errorf("%s %q: want some of %s", list.name, w, strings.Join(calls, ", ")))
			}
		}
	}
	if r.Digest != "" {
		if _, err := clock(r.Digest); err != nil {
			errs = append(errs, fmt.Errorf("digest: %w", err))
		}
	}
	if _, _, err := r.quiet(); err != nil {
		errs = append(errs, err)
	}
	if _, err := time.LoadLocation(r.TimeZone); err != nil || r.TimeZone == "Local" {
		errs = append(errs, fmt.Errorf("time_zone %q is not known", r.TimeZone))
	}
	return errors.Join(errs...)
}

// A minute is a time of day in minutes after midnight.
type minute int

// clock reads a time of day such as 06:30.
func clock(s string) (minute, error) {
	t, err := time.Parse("15:04", strings.TrimSpace(s))
	if err != nil {
		return 0, fmt.Errorf("%q is no time of day such as 06:30", s)
	}
	return minute(t.Hour()*60 + t.Minute()), nil
}

// on is that time of day on a day of a zone. A time that the clocks skip is as much later.
func (m minute) on(year int, month time.Month, day int, zone *time.Location) time.Time {
	t := time.Date(year, month, day, int(m)/60, int(m)%60, 0, 0, zone)
	if got := minute(t.Hour()*60 + t.Minute()); got < m { // skipped, and reckoned by the clock before the change
		t = t.Add(time.Duration(m-got) * time.Minute)
	}
	return t
}

// quiet is when quiet hours begin and end; the same where there are none.
func (r *Recipient) quiet() (from, until minute, err error) {
	if r.Quiet == "" {
		return 0, 0, nil
	}
	a, b, ok := strings.Cut(r.Quiet, "-")
	from, err1 := clock(a)
	until, err2 := clock(b)
	if !ok || err1 != nil || err2 != nil || from == until {
		return 0, 0, fmt.Errorf("quiet %q: want hours such as 21:00-06:00", r.Quiet)
	}
	return from, until, nil
}

// zone is whose clock the recipient goes by.
func (r *Recipient) zone(p Places) *time.Location {
	if r.TimeZone != "" {
		if z, err := time.LoadLocation(r.TimeZone); err == nil {
			return z
		}
	}
	if len(r.Depots) > 0 && p != nil {
		if z := p.Zone(r.Depots[0]); z != nil {
			return z
		}
	}
	return time.UTC
}

// loud is t, or the end of the quiet hours that t lies in.
func (r *Recipient) loud(t time.Time, zone *time.Location) time.Time {
	from, until, err := r.quiet()
	if err != nil || from == until {
		return t
	}
	local := t.In(zone)
	y, m, d := local.Date()
	now := minute(local.Hour()*60 + local.Minute())
	switch {
	case from < until && now >= from && now < until, from > until && now < until:
		return until.on(y, m, d, zone)
	case from > until && now >= from:
		return until.on(y, m, d+1, zone)
	}
	return t
}

// calledBy says whether a list of classes and kinds names an alert.
func calledBy(list []string, a *alerts.Alert) bool {
	return slices.ContainsFunc(list, func(w string) bool { return w == "all" || w == string(a.Consequence) || w == string(a.Kind) })
}

func (r *Recipient) urgent() []string {
	if r.Urgent == nil {
		return DefaultUrgent
	}
	return r.Urgent
}

// covers says whether the recipient hears of a unit. A unit without a depot is for everybody: an alert that
// nobody hears of would be worse.
func (r *Recipient) covers(unit string, p Places) bool {
	depot := p.Depot(unit)
	return len(r.Depots) == 0 || depot == "" || slices.Contains(r.Depots, depot)
}

// due is when an event is mailed if it is to be mailed at t. What ended or was withdrawn is told by the digest.
func (r *Recipient) due(e Event, t time.Time, p Places) (time.Time, bool) {
	switch e.Type {
	case Daily:
		return t, true
	case Raised, Reopened, Worsened:
	default:
		return t, false
	}
	a, is := e.alert()
	if !is || !calledBy(r.urgent(), &a) || !r.covers(a.Unit, p) {
		return t, false
	}
	if calledBy(r.Break, &a) {
		return t, true
	}
	return r.loud(t, r.zone(p)), true
}

// when says in words what the recipient gets.
func (r *Recipient) when(p Places) string {
	var say []string
	if len(r.urgent()) > 0 {
		say = append(say, "at once: "+words(r.urgent()))
	}
	if r.Quiet != "" {
		s := "quiet " + r.Quiet
		if len(r.Break) > 0 {
			s += ", broken by: " + words(r.Break)
		}
		say = append(say, s)
	}
	if r.Digest != "" {
		say = append(say, "digest daily at "+r.Digest)
	}
	depots := "every depot"
	if len(r.Depots) > 0 {
		depots = strings.Join(r.Depots, ", ")
	}
	return strings.Join(append(say, depots), "; ") + " (" + r.zone(p).String() + ")"
}

func words(list []string) string { return strings.ReplaceAll(strings.Join(list, ", "), "_", " ") }
