package dashboards

import (
	"cmp"
	"context"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"marginline/alerts"
	"marginline/alerts/review"
	"marginline/analyze"
	"marginline/ingest/fleet"
)

// Intake is how reports came in since a time.
type Intake struct {
	Since      time.Time
	Reports    int
	Results    int
	Units      int // different units that reported
	WrongClock int // reports whose clock could not be right: stored, never counted
	Rejected   int // messages of stored reports that went to the quarantine
	Unknown    int // reports of vehicles that no unit of the roster has
	Clocks     []DeviceCount
}

// DeviceCount is a dongle with a number of reports.
type DeviceCount struct {
	Device, Unit string // unit is "" where the roster does not tell
	Reports      int
}

// Intakes answers how reports came in.
type Intakes interface {
	Intake(ctx context.Context, since time.Time) (Intake, error)
}

// Reviews answers what became of the alerts of a stretch of time.
type Reviews interface {
	Review(ctx context.Context, from, until time.Time) (review.Review, error)
}

type fleetPage struct {
	Depots   []coverRow // how well each depot is watched, and the whole
	Groups   []matrix   // families by depot, families by engine family
	Since    moment
	Intake   *Intake
	NoIntake string // why nothing is said about the intake
	Held     int    // messages in quarantine
	Review   *reviewSum
	NoReview string
}

// A coverRow counts the units of one depot by how well they can be watched.
type coverRow struct {
	Name                                         string
	Units, Watched, Learning, Unprotected, Quiet int
	Never, Alerted                               int // Never is part of Quiet, the silent ones
}

func (r *coverRow) count(c condition, alerted bool) {
	r.Units++
	switch c.Kind {
	case silent:
		r.Quiet++
		if c.Last.IsZero() {
			r.Never++
		}
	case unprotected:
		r.Unprotected++
	case learning:
		r.Learning++
	default:
		r.Watched++
	}
	if alerted {
		r.Alerted++
	}
}

// A matrix counts units with an alert by family and group of units.
type matrix struct {
	ID, Title, By string
	Groups        []string
	Rows          []matrixRow
	Marked        int // cells that stand out
	Cells         int // cells with units
}

type matrixRow struct {
	Family string
	Cells  []cell
	All    cell
}

// A cell is how many of the units that have such a test had an alert of it.
type cell struct {
	review.Share
	More bool // more than among the other units, beyond what chance explains
}

// Few says that a share of so few units means little.
func (c cell) Few() bool { return c.N > 0 && c.N < 10 }

// fleetBack is how far back the alerts of the fleet page reach.
const fleetBack = trendLength

func (s *Server) fleet(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.deps.Now()
	all, err := s.deps.Book.List(ctx, true)
	if err != nil {
		return err
	}
	since := now.Add(-fleetBack)
	p := fleetPage{Since: moment{since, time.UTC}}
	standing := map[string]bool{}
	raised := map[[2]string]bool{} // unit and family
	for _, a := range all {
		if a.State.Standing() && a.State != alerts.Explained && a.State != alerts.Muted {
			standing[a.Unit] = true
		}
		if a.State != alerts.Withdrawn && a.State != alerts.Explained && a.Kind != analyze.NotRunning && a.Kind != analyze.Surprise && a.RaisedAt.After(since) {
			raised[[2]string{a.Unit, familyTitle(a.Family)}] = true
		}
	}
	units := s.everyUnit()
	p.Depots = s.coverage(units, standing, now)
	families := map[string][]string{} // of each unit
	for _, u := range units {
		families[u.Unit] = s.familiesOf(u.Unit)
	}
	p.Groups = []matrix{
		tally("depots", "Families of tests by depot", "depot", units, families, raised, func(u *fleet.Unit) string { return u.Depot }),
		tally("engines", "Families of tests by engine family", "engine family", units, families, raised, func(u *fleet.Unit) string { return u.EngineFamily }),
	}
	if s.deps.Health != nil {
		if p.Held, err = s.deps.Health.Quarantined(ctx); err != nil {
			return err
		}
	}
	p.NoIntake, p.NoReview = "Nobody can tell here how reports came in.", "Nobody can tell here what became of the alerts."
	if s.deps.Intakes != nil {
		in, err := s.deps.Intakes.Intake(ctx, now.Add(-7*dayBack))
		if err != nil {
			s.log.Warn("fleet page", "err", err)
			p.NoIntake = "How reports came in could not be read just now. The rest of the page is not touched by that; the service's log has the reason."
		} else {
			p.Intake = &in
		}
	}
	if s.deps.Reviews != nil {
		rv, err := s.deps.Reviews.Review(ctx, since, now)
		if err != nil {
			return err
		}
		p.Review = summed(rv)
	}
	return s.show(w, r, http.StatusOK, "fleet", view{Title: "Fleet", Nav: "fleet", Live: "*", Body: p})
}

// everyUnit is every unit of the roster and every unit that reported.
func (s *Server) everyUnit() []*fleet.Unit {
	out := slices.Clone(s.deps.Roster.Units())
	seen := map[string]bool{}
	for _, u := range out {
		seen[u.Unit] = true
	}
	for _, name := range s.deps.Series.Units() {
		if !seen[name] {
			out = append(out, s.rostered(name))
		}
	}
	return out
}

func (s *Server) coverage(units []*fleet.Unit, standing map[string]bool, now time.Time) []coverRow {
	by, whole := map[string]*coverRow{}, coverRow{Name: "All depots"}
	for _, u := range units {
		name := cmp.Or(u.Depot, "no depot")
		if by[name] == nil {
			by[name] = &coverRow{Name: name}
		}
		c := s.condition(u.Unit, now)
		by[name].count(c, standing[u.Unit])
		whole.count(c, standing[u.Unit])
	}
	out := make([]coverRow, 0, len(by)+1)
	for _, r := range by {
		out = append(out, *r)
	}
	slices.SortFunc(out, func(a, b coverRow) int { return strings.Compare(a.Name, b.Name) })
	if len(out) != 1 {
		out = append(out, whole)
	}
	return out
}

// familiesOf are the families in which a unit has a test with a limit, each once.
func (s *Server) familiesOf(unit string) []string {
	var out []string
	for _, n := range s.deps.Series.Series(unit) {
		if title := familyTitle(n.Family); n.Toward != "" && !slices.Contains(out, title) {
			out = append(out, title)
		}
	}
	return out
}

// more says that a share is higher than another beyond what chance explains: the 95 % interval of their
// difference lies above zero (Newcombe 1998, method 10, made of the two Wilson intervals).
//
//	low = a - b - sqrt((a - low(a))^2 + (high(b) - b)^2)
func more(a, b review.Share) bool {
	return a.N > 0 && b.N > 0 && a.Value-b.Value > math.Hypot(a.Value-a.Low, b.High-b.Value)
}

// tally counts, of the units of each group that have tests of a family, those that had an alert of it. A cell
// stands out where its share is more than that of all other units.
func tally(id, title, by string, units []*fleet.Unit, families map[string][]string, raised map[[2]string]bool, group func(*fleet.Unit) string) matrix {
	m := matrix{ID: id, Title: title, By: by}
	type count struct{ k, n int }
	cells, sums := map[[2]string]count{}, map[string]count{}
	for _, u := range units {
		g := cmp.Or(group(u), "none given")
		if !slices.Contains(m.Groups, g) {
			m.Groups = append(m.Groups, g)
		}
		for _, f := range families[u.Unit] {
			c, all := cells[[2]string{f, g}], sums[f]
			c.n, all.n = c.n+1, all.n+1
			if raised[[2]string{u.Unit, f}] {
				c.k, all.k = c.k+1, all.k+1
			}
			cells[[2]string{f, g}], sums[f] = c, all
		}
	}
	slices.Sort(m.Groups)
	for f, all := range sums {
		row := matrixRow{Family: f, All: cell{Share: review.ShareOf(all.k, all.n)}}
		for _, g := range m.Groups {
			c := cells[[2]string{f, g}]
			x := cell{Share: review.ShareOf(c.k, c.n)}
			if more(x.Share, review.ShareOf(all.k-c.k, all.n-c.n)) {
				x.More = true
				m.Marked++
			}
			if c.n > 0 {
				m.Cells++
			}
			row.Cells = append(row.Cells, x)
		}
		m.Rows = append(m.Rows, row)
	}
	slices.SortFunc(m.Rows, func(a, b matrixRow) int {
		return cmp.Or(cmp.Compare(b.All.Of, a.All.Of), strings.Compare(a.Family, b.Family))
	})
	return m
}

// A reviewSum is a review in the few figures of the fleet page.
type reviewSum struct {
	Row     review.Row
	Visits  int // orders with a result
	Undone  int // of them without a verdict yet
	Money   review.Money
	Decided int
}

func summed(rv review.Review) *reviewSum {
	sum := &reviewSum{Row: rv.Total, Money: rv.Money, Decided: rv.Total.Right.N}
	for _, n := range rv.Total.Results {
		sum.Visits += n
	}
	sum.Undone = rv.Total.Results[review.Undecided]
	return sum
}
