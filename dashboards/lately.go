package dashboards

import (
	"cmp"
	"context"
	"slices"
	"time"

	"marginline/alerts"
	"marginline/analyze"
)

// dayBack is how far "since yesterday" reaches.
const dayBack = 24 * time.Hour

// News is one line of what is different since yesterday.
type news struct {
	Unit, Depot string
	Word        string // what kind of change
	Text        string
	Href        string // where there is more
	At          moment
}

// lately finds what changed since a time in alerts and work orders, the newest first. What people decided is
// left out: they know.
func (s *Server) lately(ctx context.Context, all []alerts.Alert, since time.Time) ([]news, error) {
	var out []news
	add := func(unit, word, text, href string, at time.Time) {
		if at.After(since) {
			out = append(out, news{Unit: unit, Depot: s.rostered(unit).Depot, Word: word, Text: text, Href: href, At: moment{at, s.zone(unit)}})
		}
	}
	for _, a := range all {
		href := alertURL(a.ID)
		switch {
		case a.State == alerts.Withdrawn:
		case a.EndedAt != nil && a.EndedAt.After(since):
			add(a.Unit, "over", headline(a.Reason)+" "+ending(a), href, *a.EndedAt)
		case a.RaisedAt.After(since):
			add(a.Unit, "new", headline(a.Reason), href, a.RaisedAt)
		case a.State.Standing():
			for _, e := range a.Evidence {
				if e.EndedAt == nil && e.ClaimedAt.After(since) && e.ClaimedAt.After(e.RaisedAt) {
					add(a.Unit, "worse", "Now "+kindWords[e.Kind]+": "+headline(a.Reason), href, e.ClaimedAt)
					break
				}
			}
		}
	}
	orders, err := s.deps.Book.Orders(ctx)
	if err != nil {
		return nil, err
	}
	for _, o := range orders {
		href := orderURL(o.ID)
		add(o.Unit, "order", "Work order "+o.ID+" was made.", href, o.CreatedAt)
		if last := o.Last(); last != nil {
			add(o.Unit, "visit", "In the shop: "+foundWords[last.Found]+".", href, last.At)
		}
		if o.ClosedAt != nil {
			add(o.Unit, "order", "Work order "+o.ID+" was closed.", href, *o.ClosedAt)
		}
	}
	sortNews(out)
	return out, nil
}

func sortNews(list []news) {
	slices.SortStableFunc(list, func(a, b news) int {
		return cmp.Or(b.At.At.Compare(a.At.At), cmp.Compare(a.Unit, b.Unit))
	})
}

// ending says how an alert ended by its readings.
func ending(a alerts.Alert) string {
	for _, e := range a.Evidence {
		if e.Ended != "" {
			return "Over: " + endWords(e.Ended) + "."
		}
	}
	if a.Kind == analyze.NotRunning {
		return "Over: the test runs again."
	}
	return "Over: its readings no longer support it."
}

var foundWords = map[alerts.Found]string{
	alerts.FoundCause: "the cause was found", alerts.FoundNothing: "no fault was found", alerts.FoundOther: "a different defect was found",
	alerts.NotTested: "the checks could not be made",
}

// inspectionAhead is how early an inspection is named.
const inspectionAhead = 30 * 24 * time.Hour

// A dateRow is a unit with a date ahead and something that speaks against meeting it as it is.
type dateRow struct {
	Unit, Depot, Text, Hint string
	Day                     moment
	Due                     time.Time
}

// ahead are the units whose inspection is due within a month, or overdue, while an alert stands, nothing is
// known of them, or their tests do not run; the earliest first. trouble says what stands in the way.
func (s *Server) ahead(now time.Time, trouble map[string]string) []dateRow {
	var out []dateRow
	for _, u := range s.deps.Roster.Units() {
		what := trouble[u.Unit]
		if u.InspectionDue.IsZero() || what == "" || u.InspectionDue.Sub(now) > inspectionAhead {
			continue
		}
		words := "inspection due " + u.InspectionDue.Format("2 Jan 2006")
		if u.InspectionDue.Before(now.Add(-dayBack)) {
			words = "inspection was due " + u.InspectionDue.Format("2 Jan 2006")
		}
		out = append(out, dateRow{Unit: u.Unit, Depot: u.Depot, Text: words + ", and " + what, Due: u.InspectionDue,
			Hint: "Bring the work forward of the date; nobody should clear codes before it, since readiness would be lost."})
	}
	slices.SortStableFunc(out, func(a, b dateRow) int { return a.Due.Compare(b.Due) })
	return out
}
