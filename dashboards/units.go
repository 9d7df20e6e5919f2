package dashboards

import (
	"cmp"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"marginline/alerts"
	"marginline/ingest/fleet"
)

type unitsPage struct {
	Rows   []unitRow
	Depots []string
	Depot  string // shown only
	Find   string // shown only: in number, VIN or dongle
	Is     string // a condition: only units in it
	Count  int    // rows of all parts
	Pager  pager
	Total  int
}

type unitRow struct {
	Unit, Depot, EngineFamily, Class string
	State                            condition
	Worst                            float64 // least margin of its watched series
	More                             int     // alerts besides Top
	Top                              *alerts.Alert
	Last                             moment
	OnRoster                         bool
}

func (s *Server) units(w http.ResponseWriter, r *http.Request) error {
	list, err := s.deps.Book.List(r.Context(), false)
	if err != nil {
		return err
	}
	p := unitsPage{Depot: r.FormValue("depot"), Find: strings.TrimSpace(r.FormValue("q")), Is: r.FormValue("is")}
	if !slices.Contains([]string{silent, unprotected, learning, watched}, p.Is) {
		p.Is = ""
	}
	now := s.deps.Now()
	byUnit := map[string][]alerts.Alert{}
	for _, a := range list {
		byUnit[a.Unit] = append(byUnit[a.Unit], a)
	}
	seen, depots := map[string]bool{}, map[string]bool{}
	add := func(u *fleet.Unit, onRoster bool) {
		if seen[u.Unit] {
			return
		}
		seen[u.Unit] = true
		p.Total++
		if u.Depot != "" {
			depots[u.Depot] = true
		}
		if p.Depot != "" && p.Depot != u.Depot || p.Find != "" && !fits(u, p.Find) {
			return
		}
		row := unitRow{Unit: u.Unit, Depot: u.Depot, EngineFamily: u.EngineFamily, Class: u.WeightClass, OnRoster: onRoster,
			State: s.condition(u.Unit, now), Worst: math.NaN()}
		if p.Is != "" && row.State.Kind != p.Is {
			return
		}
		row.Last = moment{row.State.Last, s.zone(u.Unit)}
		if mine := byUnit[u.Unit]; len(mine) > 0 {
			row.Top, row.More = &mine[0], len(mine)-1
		}
		p.Rows = append(p.Rows, row)
	}
	for _, u := range s.deps.Roster.Units() {
		add(u, true)
	}
	for _, name := range s.deps.Series.Units() {
		add(s.rostered(name), false)
	}
	for d := range depots {
		p.Depots = append(p.Depots, d)
	}
	slices.Sort(p.Depots)
	slices.SortStableFunc(p.Rows, func(a, b unitRow) int { return cmp.Or(natural(a.Unit, b.Unit), strings.Compare(a.Unit, b.Unit)) })
	p.Count = len(p.Rows)
	p.Rows, p.Pager = paged(r, p.Rows, pageRows)
	for i := range p.Rows {
		for _, n := range s.deps.Series.Series(p.Rows[i].Unit) {
			if l := leftNow(n); !math.IsNaN(l) && !(l >= p.Rows[i].Worst) {
				p.Rows[i].Worst = l
			}
		}
	}
	return s.show(w, r, http.StatusOK, "units", view{Title: "Units", Find: p.Find, Nav: "units", Live: "*", Body: p})
}

// natural orders unit numbers as people do: 9 before 10.
func natural(a, b string) int {
	trim := func(s string) string { return strings.TrimLeft(s, "0") }
	digits := func(s string) bool {
		return s != "" && strings.Trim(s, "0123456789") == ""
	}
	if digits(a) && digits(b) {
		return cmp.Or(cmp.Compare(len(trim(a)), len(trim(b))), strings.Compare(trim(a), trim(b)))
	}
	return strings.Compare(a, b)
}

// fits says whether a unit is meant: by its number, the end of its VIN, or its dongle.
func fits(u *fleet.Unit, what string) bool {
	what = strings.ToLower(what)
	return strings.Contains(strings.ToLower(u.Unit), what) || len(what) >= 3 && strings.HasSuffix(strings.ToLower(u.VIN), what) || strings.Contains(strings.ToLower(u.Device), what)
}

// find goes to the unit that is meant, or to the list of those that could be.
func (s *Server) find(w http.ResponseWriter, r *http.Request) error {
	what := strings.TrimSpace(r.FormValue("q"))
	to := "/units?q=" + url.QueryEscape(what)
	var hit []string
	for _, u := range s.everyUnit() {
		if strings.EqualFold(u.Unit, what) {
			hit = []string{u.Unit}
			break
		}
		if what != "" && fits(u, what) {
			hit = append(hit, u.Unit)
		}
	}
	if len(hit) == 1 {
		to = unitURL(hit[0])
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}
