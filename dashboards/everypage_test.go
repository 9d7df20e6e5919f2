package dashboards

import "testing"

// shopPages are the pages that need a shop floor and orders, and other states of pages: an order is made for them.
func shopPages(t *testing.T, s *site) map[string]string {
	t.Helper()
	o, err := s.book.Order(t.Context(), "a-217", "Ilvane Holt", today)
	if err != nil {
		t.Fatal(err)
	}
	series := seriesURL("217", "7e8", "m3b.tc0")
	return map[string]string{
		"order": "/orders/" + o.ID, "outcome": "/orders/" + o.ID + "/outcome", "plan": "/plan", "plan-move": "/plan?move=a-408&to=2026-05-21",
		"plan-clash": "/plan?move=a-408&to=2026-05-24", "shop": "/shop", "review": "/review", "find-none": "/units?q=nothing", "alerts-all": "/alerts?all=1",
		"series-around": series + "?with=fuel_level_pct&with=coolant_c&peers=yes", "series-stretch": series + "?from=2026-04-01&to=2026-04-30",
		"settings-bare": "/settings", "alert-failed": "/alerts/a-214", "alert-closed": "/alerts/a-old", "alert-explained": "/alerts/a-205",
	}
}

// wholeSite is a site with a shop floor, and every page of it but that of SQL.
func wholeSite(t *testing.T) (*site, map[string]string) {
	t.Helper()
	s := withFloor(t, market(), marketBook(t))
	pages := everyPage()
	for name, path := range shopPages(t, s) {
		pages[name] = path
	}
	return s, pages
}
