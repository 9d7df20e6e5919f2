package dashboards

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"time"

	"golang.org/x/sync/errgroup"

	"marginline/alerts"
	"marginline/alerts/shop"
	"marginline/ingest/fleet"
)

// A tale is what others than the detector tell of a unit.
type tale struct {
	codes []Code
	facts []shop.Fact
	use   Use
}

// told asks for codes, facts and use side by side; what nobody can tell is left empty.
func (s *Server) told(ctx context.Context, unit string) (tale, error) {
	t := tale{use: Use{OdometerKm: math.NaN(), EngineHours: math.NaN(), WarmupsSinceClear: math.NaN(), KmSinceClear: math.NaN()}}
	g, ctx := errgroup.WithContext(ctx)
	if s.deps.Codes != nil {
		g.Go(func() (err error) { t.codes, err = s.deps.Codes.Codes(ctx, unit); return err })
	}
	if s.deps.Facts != nil {
		g.Go(func() (err error) { t.facts, err = s.deps.Facts.Facts(ctx, unit); return err })
	}
	if s.deps.Uses != nil {
		g.Go(func() (err error) { t.use, err = s.deps.Uses.Use(ctx, unit); return err })
	}
	return t, g.Wait()
}

// unitFacts are the facts of a unit that people decide with; absent ones are left out.
func (s *Server) unitFacts(u *fleet.Unit, use Use, last moment, now time.Time) []fact {
	var out []fact
	add := func(name, value string) {
		if value != "" {
			out = append(out, fact{name, value})
		}
	}
	if last.IsZero() {
		out = append(out, fact{"Last report", "never"})
	} else {
		out = append(out, fact{"Last report", template.HTML(string(last.Stamp()) + " (" + ago(last.At, now) + ")")})
	}
	add("Depot", u.Depot)
	add("Engine family", u.EngineFamily)
	add("Fuel", u.Fuel)
	add("Weight class", u.WeightClass)
	quantity := func(name string, newest, enrolled float64, ucum string) {
		switch {
		case newest > 0:
			add(name, s.measure(newest, ucum))
		case enrolled > 0:
			add(name+" at enrolment", s.measure(enrolled, ucum))
		}
	}
	quantity("Odometer", use.OdometerKm, u.OdometerKm, "km")
	quantity("Engine hours", use.EngineHours, u.EngineHours, "h")
	if !u.InService.IsZero() {
		add("In service since", u.InService.Format("2 Jan 2006"))
	}
	add("VIN", u.VIN)
	add("Dongle", u.Device)
	return out
}

// unitDates are the dates that ask for something, with how far they are.
func unitDates(u *fleet.Unit, facts []shop.Fact, desk *alerts.Desk) []fact {
	now := desk.Now
	var out []fact
	add := func(name string, day time.Time) {
		if !day.IsZero() {
			out = append(out, fact{name, day.Format("2 Jan 2006") + ", " + daysTo(day, now)})
		}
	}
	add("Inspection due", u.InspectionDue)
	if pm, ok := desk.Service(u); ok {
		add("Next PM service", pm.Due.Time(time.UTC))
	}
	add("Last PM service", u.PMLast)
	for _, f := range facts {
		if f.Kind == shop.Needed && f.Until != nil && f.Until.After(now) {
			out = append(out, fact{"Needed by dispatch", f.At.Format("2 Jan") + " to " + f.Until.Format("2 Jan 2006")})
		}
	}
	return out
}

// daysTo says how many days lie between now and a day of the calendar.
func daysTo(day, now time.Time) string {
	n := int(math.Round(day.Sub(now.UTC().Truncate(dayBack)).Hours() / 24))
	switch {
	case n == 0:
		return "today"
	case n > 0:
		return "in " + plural(n, "day", "days")
	}
	return plural(-n, "day ago", "days ago")
}

// An orderLine is one work order of a unit.
type orderLine struct {
	ID, Standing string
	Made         moment
	In           string
}

var orderStanding = map[alerts.OrderState]string{
	alerts.OrderProposed: "proposed", alerts.OrderApproved: "approved", alerts.OrderScheduled: "has a day", alerts.OrderArrived: "in the shop",
	alerts.OrderInProgress: "being worked on", alerts.OrderWaiting: "waiting in the shop", alerts.OrderDone: "done, waits for its tests",
	alerts.OrderVerifying: "repair being verified", alerts.OrderClosed: "closed", alerts.OrderDeferred: "put off", alerts.OrderCancelled: "cancelled",
	alerts.OrderNoShow: "the unit did not come",
}

// ordersOf are the work orders of a unit: open ones first.
func (s *Server) ordersOf(ctx context.Context, unit string, zone *time.Location) ([]orderLine, error) {
	list, err := s.deps.Book.Orders(ctx)
	if err != nil {
		return nil, err
	}
	var out []orderLine
	for _, o := range list {
		if o.Unit != unit {
			continue
		}
		line := orderLine{ID: o.ID, Standing: orderStanding[o.State], Made: moment{o.CreatedAt, zone}}
		switch {
		case o.Slot != nil && o.Open():
			line.In = "in on " + o.Slot.Day.Words()
		case o.Open() && o.DueBy != nil:
			line.In = "in by " + o.DueBy.In(zone).Format("Mon 2 Jan 2006")
		}
		if o.Deferred != nil && o.State == alerts.OrderDeferred {
			line.In = fmt.Sprintf("until %s: %s", o.Deferred.Until.In(zone).Format("2 Jan 2006"), o.Deferred.Why)
		}
		out = append(out, line)
	}
	return out, nil
}
