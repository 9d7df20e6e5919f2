package dashboards

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"marginline/alerts/delivery"
	"marginline/dashboards/people"
)

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

// wholeSite is a site with a shop floor and deliveries, and every page of it but those of SQL and of people.
func wholeSite(t *testing.T) (*site, map[string]string) {
	t.Helper()
	s := withFloor(t, market(), marketBook(t))
	_, db := shelve(t)
	box, err := delivery.OpenOutbox(t.Context(), db, []delivery.Target{{Name: "mail desk@fleet.example", Way: delivery.WayMail, Where: "desk@fleet.example", When: "digest daily at 06:30",
		Channel: delivery.Check(func(context.Context) (string, error) { return "", errors.New("mail: the server is away") })}}, quiet(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := box.Try(t.Context(), "mail desk@fleet.example", "Ilvane"); err != nil {
		t.Fatal(err)
	}
	deps := s.deps
	deps.Deliveries = posted{box}
	if s.Server, err = New(s.cfg, deps, quiet()); err != nil {
		t.Fatal(err)
	}
	pages := everyPage()
	pages["delivery"] = "/delivery"
	for name, path := range shopPages(t, s) {
		pages[name] = path
	}
	return s, pages
}

// everywhere lets every page be looked at: those of a site with everything, the analyst's, and the sign-in with what comes
// after it.
func everywhere(t *testing.T, look func(b *tab, pages map[string]string)) {
	t.Helper()
	s, pages := wholeSite(t)
	b := browse(t, s)
	look(b, pages)
	b.calm(t)
	elsewhere(t, look)
}

// elsewhere is everywhere for the pages of analysts and of people who sign in.
func elsewhere(t *testing.T, look func(b *tab, pages map[string]string)) {
	t.Helper()
	b := browse(t, openSQL(t))
	look(b, map[string]string{"sql": "/sql", "sql-answer": sqlURL("select 1 as one, 'two' as two, 0.5 as half"), "sql-fault": sqlURL("select nothing from nowhere"), "columns": "/help/columns"})
	b.calm(t)
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	b = browse(t, s)
	look(b, map[string]string{"sign-in": "/sign-in"})
	b.open(t, "/sign-in")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#name"), "odalys"), chromedp.SendKeys(chromedp.CSS("#password"), dockPhrase), chromedp.Click(chromedp.CSS("main button.first")))
	b.lands(t, `location.pathname === "/"`)
	look(b, map[string]string{"people": "/people", "account": "/account", "today-signed": "/"})
	b.calm(t)
}

// calm is when the console complained of nothing but pages that are meant to be missing or refused.
func (b *tab) calm(t *testing.T) {
	t.Helper()
	for _, f := range b.complaints() {
		if !strings.Contains(f, "404") && !strings.Contains(f, "422") {
			t.Errorf("console: %s", f)
		}
	}
}
