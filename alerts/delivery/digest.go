package delivery

import (
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/shop"
)

// A Digest is what a recipient's units came to in a day.
type Digest struct {
	Depots   []string       `json:"depots"` // none = every depot
	Day      string         `json:"day"`    // local, such as 2026-05-29
	Zone     string         `json:"zone"`
	From     time.Time      `json:"from"` // the news are from here
	Until    time.Time      `json:"until"`
	News     []News         `json:"news"`     // in order of time, at most digestRows
	Standing []alerts.Alert `json:"standing"` // in the order of the alert list, at most digestRows
	Visits   []Visit        `json:"visits"`   // of this day and the next
	MoreNews int            `json:"more_news"`
	More     int            `json:"more_standing"`
	Stop     int            `json:"stop"` // how many of all that stand are of class stop
}

const digestRows = 60 // more than that nobody reads in a mail

// News is one thing that happened to an alert.
type News struct {
	What  alerts.Happening `json:"what"`
	At    time.Time        `json:"at"`
	Alert alerts.Alert     `json:"alert"`
}

// A Visit is a unit's day in the shop.
type Visit struct {
	Unit       string   `json:"unit"`
	Order      string   `json:"order"`
	Day        shop.Day `json:"day"`
	Bay        string   `json:"bay"`
	Technician string   `json:"technician"`
	What       string   `json:"what"`
}

// A Matter is all that a digest may tell, of every depot.
type Matter struct {
	News     []News
	Standing []alerts.Alert
	Visits   []Visit
}

// A Round is a digest that is due: its day, and the time that its news are from.
type Round struct {
	Day         shop.Day
	From, Until time.Time
	to          *Mailbox
	id          string
}

// A Mailbox is a recipient as a target of mail.
type Mailbox struct {
	Recipient
	Name   string // of its target
	places Places
}

// Due is the newest digest whose time has come, and whether there is one: that of the recipient's local day, once
// the time set is past. It has the same id whenever it is asked for, so a digest is sent once a day whatever
// happens; a service that was down at that time sends it when it starts, as long as the day lasts.
func (m *Mailbox) Due(now time.Time) (Round, bool) {
	if m.Digest == "" {
		return Round{}, false
	}
	at, err := clock(m.Digest)
	if err != nil {
		return Round{}, false
	}
	zone := m.zone(m.places)
	y, mo, d := now.In(zone).Date()
	until := at.on(y, mo, d, zone)
	if now.Before(until) {
		return Round{}, false
	}
	day := shop.DayOf(until, zone)
	return Round{Day: day, From: at.on(y, mo, d-1, zone), Until: until, to: m, id: idOf(Daily, m.Name, day.String())}, true
}

// ID is that of the digest's event.
func (r Round) ID() string { return r.id }

// Event is the digest of what concerns the recipient.
func (r Round) Event(m Matter) (Event, error) {
	to := r.to
	g := Digest{Depots: to.Depots, Day: r.Day.String(), Zone: to.zone(to.places).String(), From: r.From.UTC(), Until: r.Until.UTC(), News: []News{}, Standing: []alerts.Alert{}, Visits: []Visit{}}
	for _, n := range m.News {
		if !n.At.Before(r.From) && n.At.Before(r.Until) && to.covers(n.Alert.Unit, to.places) {
			g.News = append(g.News, n)
		}
	}
	slices.SortStableFunc(g.News, func(a, b News) int { return a.At.Compare(b.At) })
	for _, a := range m.Standing {
		if to.covers(a.Unit, to.places) {
			g.Standing = append(g.Standing, a)
			if a.Consequence == alerts.Stop {
				g.Stop++
			}
		}
	}
	g.MoreNews, g.More = max(0, len(g.News)-digestRows), max(0, len(g.Standing)-digestRows)
	g.News, g.Standing = g.News[:len(g.News)-g.MoreNews], g.Standing[:len(g.Standing)-g.More]
	for _, v := range m.Visits {
		if v.Day >= r.Day && v.Day <= r.Day+1 && to.covers(v.Unit, to.places) {
			g.Visits = append(g.Visits, v)
		}
	}
	slices.SortStableFunc(g.Visits, func(a, b Visit) int { return int(a.Day - b.Day) })
	e, err := newEvent(Daily, strings.Join(to.Depots, ", "), r.Until, g, to.Name, r.Day.String())
	return e, err
}
