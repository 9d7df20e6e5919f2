package delivery

import (
	"fmt"
	"io"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"marginline/alerts"
	"marginline/alerts/shop"
)

// WriteCalendar writes the visits of some work orders as iCalendar, one whole day each. A day that was given
// back stays in the feed as cancelled, so that calendars which hold it take it out. made is when the feed is
// made; what says in a few words what a visit is about.
func WriteCalendar(w io.Writer, name string, orders []alerts.WorkOrder, made time.Time, what func(*alerts.WorkOrder) string) error {
	cal := ics.NewCalendarFor("marginline")
	cal.SetMethod(ics.MethodPublish)
	cal.SetName(name)
	cal.SetXWRCalName(name)
	for i := range orders {
		o := &orders[i]
		slot, status := o.Slot, ics.ObjectStatusConfirmed
		if slot == nil {
			slot, status = o.Off, ics.ObjectStatusCancelled
		}
		if slot == nil || o.Sequence == 0 {
			continue
		}
		e := cal.AddEvent(o.ID + "@marginline")
		e.SetDtStampTime(made.UTC())
		e.SetSequence(o.Sequence - 1)
		e.SetStatus(status)
		e.SetSummary(fmt.Sprintf("Unit %s: %s", o.Unit, what(o)))
		e.SetProperty(ics.ComponentPropertyDtStart, plainDay(slot.Day), ics.WithValue("DATE"))
		e.SetProperty(ics.ComponentPropertyDtEnd, plainDay(slot.Day+1), ics.WithValue("DATE"))
		var lines []string
		for _, s := range []struct{ name, text string }{{"Bay", slot.Bay}, {"Technician", slot.Technician}, {"Chosen by", slot.Who}, {"Why", slot.Why}, {"Work order", o.ID}} {
			if s.text != "" {
				lines = append(lines, s.name+": "+s.text)
			}
		}
		e.SetDescription(strings.Join(lines, "\n"))
	}
	return cal.SerializeTo(w, ics.WithNewLineWindows) // CRLF, RFC 5545 section 3.1
}

func plainDay(d shop.Day) string { return strings.ReplaceAll(d.String(), "-", "") }

// CountVisits reads a feed and counts its events.
func CountVisits(r io.Reader) (int, error) {
	cal, err := ics.ParseCalendar(r)
	if err != nil {
		return 0, err
	}
	return len(cal.Events()), nil
}
