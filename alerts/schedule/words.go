package schedule

import (
	"fmt"
	"strings"

	"marginline/alerts/shop"
)

// Reasons are whole sentences, the days in the form 2026-05-29.

const watch = "Watch; nothing to do yet."

func bound(j *Job) string {
	why := j.ByWhy
	if why == "" {
		why = "the earliest likely date"
	}
	return fmt.Sprintf("%s, %s", why, *j.By)
}

func ride(j *Job, s *Service) string {
	return fmt.Sprintf("Rides along with the PM service due %s, which is before %s.", s.Due, bound(j))
}

func rideLater(j *Job, s *Service) string {
	return fmt.Sprintf("Rides along with the PM service due %s, beyond this plan and before %s.", s.Due, bound(j))
}

func rideFull(j *Job, s *Service) string {
	return fmt.Sprintf("Own visit: the PM service due %s has no room for more; before %s.", s.Due, bound(j))
}

func pull(j *Job, s *Service) string {
	return fmt.Sprintf("The PM service due %s is pulled forward, inside its early window, because %s comes first.", s.Due, bound(j))
}

func risk(j *Job, s *Service) string {
	return fmt.Sprintf("Rides along with the PM service due %s, which comes after %s: a code may be set before. Accept that knowingly, or give it a visit of its own.", s.Due, bound(j))
}

func riskLater(j *Job, s *Service) string {
	return fmt.Sprintf("Waits for the PM service due %s, beyond this plan and after %s: a code may be set before. Accept that knowingly, or give it a visit of its own.", s.Due, bound(j))
}

func own(j *Job, s *Service) string {
	if s == nil {
		return fmt.Sprintf("Own visit, the first day with room before %s; no PM service is known.", bound(j))
	}
	return fmt.Sprintf("Own visit, the first day with room before %s; the PM service due %s cannot come so early.", bound(j), s.Due)
}

// alongToo is added to the reason of an own visit.
func alongToo(s *Service) string {
	return fmt.Sprintf("The PM service due %s is done along with it.", s.Due)
}

func hurry(j *Job, late bool) string {
	switch {
	case j.Rank == Stop:
		return "The unit must not be dispatched: the first day with room."
	case j.Now:
		return "A code is stored or a test has failed: the first day with room."
	case late:
		return fmt.Sprintf("The first day with room: %s, is reached.", bound(j))
	}
	return ""
}

func noBoundRide(_ *Job, s *Service) string {
	return fmt.Sprintf("Looked at along with the PM service due %s; there is not enough evidence for a date.", s.Due)
}

func noBoundOwn(*Job) string {
	return "Own visit within 30 days; there is not enough evidence for a date, and no PM service comes sooner."
}

func due(s *Service, today shop.Day) string {
	if s.Due < today {
		return overdue(s, today)
	}
	return fmt.Sprintf("PM service due %s.", s.Due)
}

func overdue(s *Service, today shop.Day) string {
	if s.Due >= today {
		return fmt.Sprintf("PM service due %s, no room before that.", s.Due)
	}
	return fmt.Sprintf("PM service overdue since %s.", s.Due)
}

func serviceLater(s *Service) string {
	return fmt.Sprintf("PM service due %s, beyond this plan.", s.Due)
}

func serviceFull(s *Service) string {
	return fmt.Sprintf("No room for the PM service due %s.", s.Due)
}

func noDepot(name string) string {
	if name == "" {
		return "The roster names no depot for this unit."
	}
	return fmt.Sprintf("The shop file has no depot %q.", name)
}

func noRoom(j *Job, r *room, until shop.Day) string {
	s := fmt.Sprintf("%s has no room for %.1f h before %s", r.depot.Name, j.Hours, until)
	if len(j.Skills) > 0 {
		s += ", by a technician with " + strings.Join(j.Skills, " and ")
	}
	if len(j.Bay) > 0 {
		s += ", in a bay with " + strings.Join(j.Bay, " and ")
	}
	if len(j.Blackout) > 0 {
		s += ", outside the days that dispatch needs the unit"
	}
	return s + ". A person decides."
}

func noRoomOn(f Fixed, r *room) string {
	if r.depot.OpenHours(f.Day) == 0 {
		return fmt.Sprintf("%s chose %s, on which %s is closed. It stays until somebody moves it.", f.Who, f.Day, r.depot.Name)
	}
	return fmt.Sprintf("%s chose %s, on which %s has no room for it. It stays until somebody moves it.", f.Who, f.Day, r.depot.Name)
}

func chosen(f Fixed, late bool, j *Job) string {
	s := fmt.Sprintf("%s chose this day", f.Who)
	if f.Why != "" {
		s += ": " + strings.TrimRight(f.Why, ". ")
	}
	if late && j != nil {
		s += fmt.Sprintf(". It is not before %s", bound(j))
	}
	return s + "."
}

func deferred(d Deferral) string {
	s := fmt.Sprintf("%s put it off until %s", d.Who, d.Until)
	if d.Why != "" {
		s += ": " + strings.TrimRight(d.Why, ". ")
	}
	return s + "."
}

// again says that a day has passed without the unit.
func (p *planner) again(id string) string {
	f, missed := p.missed[id]
	if !missed {
		return ""
	}
	return fmt.Sprintf("Planned again: it did not come on %s, which %s had chosen. ", f.Day, f.Who)
}

func prepare(j *Job) []string {
	var out []string
	if j.ColdSoak {
		out = append(out, "Leave the unit overnight before the visit, engine off for 8 hours.")
	}
	if j.FuelWindow {
		out = append(out, "Come with a quarter to three quarters of a tank, and do not fill up on the way in.")
	}
	return out
}
