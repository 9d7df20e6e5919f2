package dashboards

import (
	"io"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"marginline/alerts"
	"marginline/analyze"
	"marginline/dashboards/people"
)

// Sign-in, people and account in a browser without JavaScript; with it, nothing that axe-core complains of, at any width.
func TestPeopleInABrowser(t *testing.T) {
	source, err := os.ReadFile("web/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("axe-core is needed: run `make web`: %v", err)
	}
	s := signedSite(t, io.Discard)
	s.list(t, "odalys", people.Administrator)
	b := browse(t, s)
	b.size(t, 360, 900, false)
	b.script(t, false)
	b.open(t, "/units")
	enter := func(name, password string) {
		b.do(t, chromedp.SendKeys(chromedp.CSS("#name"), name), chromedp.SendKeys(chromedp.CSS("#password"), password), chromedp.Click(chromedp.CSS("main button.first")))
	}
	where := func(path string) { t.Helper(); b.lands(t, `location.pathname === `+asJSON(path)) }
	where("/sign-in")
	enter("odalys", dockPhrase)
	where("/units") // where the reader wanted to go
	b.open(t, "/people")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#name"), "wes"), chromedp.Click(chromedp.CSS("#add ~ form button.first, section form button.first")))
	b.lands(t, `document.querySelector(".done code") !== null`)
	made := eval[string](t, b, `document.querySelector(".done code").textContent`)
	b.do(t, chromedp.Click(chromedp.CSS(".whoami button")))
	where("/sign-in")
	enter("wes", made)
	where("/account")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#old"), made), chromedp.SendKeys(chromedp.CSS("#new"), dockPhrase), chromedp.SendKeys(chromedp.CSS("#again"), dockPhrase), chromedp.Click(chromedp.CSS("main button.first")))
	b.lands(t, `document.querySelector("#label") !== null`)
	b.do(t, chromedp.SendKeys(chromedp.CSS("#label"), "notebook"), chromedp.Click(chromedp.CSS("#keys ~ form button, [aria-labelledby=keys] form button")))
	b.lands(t, `document.querySelector(".done code") !== null && document.querySelector(".done code").textContent.startsWith("mlk_")`)
	b.do(t, chromedp.Click(chromedp.CSS(".whoami button")))
	where("/sign-in")
	b.script(t, true)

	look := func(name string) {
		t.Helper()
		for _, dark := range []bool{false, true} {
			for _, width := range []int64{360, 768, 1440} {
				b.size(t, width, 900, dark)
				if wide := eval[string](t, b, `(() => { const v = document.documentElement; if (v.scrollWidth <= v.clientWidth) return "";
					let worst = "", far = v.clientWidth + 0.5;
					for (const e of document.body.querySelectorAll("*")) { const r = e.getBoundingClientRect().right; if (!e.closest(".scroll, .sr") && r > far) { far = r; worst = e.outerHTML.slice(0, 160); } }
					return "by " + (far - v.clientWidth) + " px: " + worst; })()`); wide != "" {
					t.Errorf("%s at %d px is too wide %s", name, width, wide)
				}
				found := axe(t, b)
				if len(found) > 0 {
					t.Errorf("%s at %d px, dark %v: %q", name, width, dark, found)
				}
			}
			b.shot(t, name)
		}
	}
	b.open(t, "/sign-in")
	eval[bool](t, b, string(source)+"; true")
	look("sign-in")
	b.size(t, 1440, 900, false)
	enter("odalys", "wrong")
	b.lands(t, `document.querySelector("#fault") !== null`)
	eval[bool](t, b, string(source)+"; true")
	look("sign-in-refused")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#password"), dockPhrase), chromedp.Click(chromedp.CSS("main button.first")))
	where("/")
	for name, path := range map[string]string{"people": "/people", "account": "/account"} {
		b.open(t, path)
		eval[bool](t, b, `document.querySelectorAll("details").forEach((d) => (d.open = true)) ?? true`)
		eval[bool](t, b, string(source)+"; true")
		look(name)
	}
}

// Names and findings that carry markup are shown as they are, on every page; nothing of them runs or becomes an element.
func TestHostileNamesRunNowhere(t *testing.T) {
	attacks := []string{`<img src=x class=pwn onerror="window.pwned=1">`, `"><script class=pwn>window.pwned=1</script>`, `' onfocus='window.pwned=1' autofocus='`, `</title></textarea></style><svg class=pwn onload="window.pwned=1">`, `javascript:window.pwned=1`, `{{.}}${window.pwned=1}`}
	y := newYard()
	var list []alerts.Alert
	pages := map[string]bool{"/": true, "/units": true, "/alerts": true, "/orders": true, "/fleet": true, "/settings": true, "/quarantine": true, "/quarantine/7.2": true, "/people": true, "/account": true, "/help": true}
	for i, x := range attacks {
		y.enrol(x, x, "America/Chicago").EngineFamily = x
		y.runs(x, course{ecu: "7e8", test: "m21.t89", family: "catalyst", unit: "1", level: 0.4, spread: 0.02, min: nan(), max: 0.9, days: 60})
		list = append(list, alerts.Alert{ID: "a-x" + string(rune('0'+i)), Unit: x, ECU: x, Tests: []string{"m21.t89"}, Family: x, Kind: analyze.Drift, Consequence: alerts.Cost, RaisedAt: at(-2), Reason: x,
			Evidence: []alerts.Evidence{{Test: "m21.t89", ECU: "7e8", Name: x, Kind: analyze.Drift, RaisedAt: at(-2), UnitOfMeasure: x}}})
		pages[unitURL(x)], pages[alertURL("a-x"+string(rune('0'+i)))], pages["/units?q="+url.QueryEscape(x)] = true, true, true
		pages[seriesURL(x, "7e8", "m21.t89")] = true
		pages["/find?q="+url.QueryEscape(x)], pages["/units?depot="+url.QueryEscape(x)], pages["/sign-in?next="+url.QueryEscape(x)], pages["/settings?set="+url.QueryEscape(x)+"&to="+url.QueryEscape(x)], pages["/no-such-page/"+url.QueryEscape(x)], pages["/quarantine?reason="+url.QueryEscape(x)] = true, true, true, true, true, true
	}
	book, _ := shelve(t, list...)
	for i, x := range attacks {
		id := "a-x" + string(rune('0'+i))
		if err := book.Acknowledge(t.Context(), id, x, x, time.Time{}); err != nil {
			t.Fatal(err)
		}
		o, err := book.Order(t.Context(), id, x, today)
		if err != nil {
			t.Fatal(err)
		}
		pages["/orders/"+o.ID] = true
	}
	s := signedSiteOf(t, y, book, io.Discard)
	s.list(t, "odalys", people.Administrator)
	for _, x := range attacks {
		if _, err := s.deps.People.Add(t.Context(), x, people.Person{Name: "n" + string(rune('a'+len(x)%26)) + string(rune('a'+len(x)/26)), Full: x, Role: people.Shop, Depots: []string{x}}, dockPhrase); err != nil {
			t.Fatal(err)
		}
		if err := s.deps.People.Note(t.Context(), x, x, x, x); err != nil {
			t.Fatal(err)
		}
		if _, err := s.deps.People.AddKey(t.Context(), x, "odalys", x[:min(len(x), 60)], people.Viewer, today.AddDate(0, 0, 3)); err != nil {
			t.Fatal(err)
		}
	}
	b := browse(t, s)
	b.open(t, "/sign-in")
	b.do(t, chromedp.SendKeys(chromedp.CSS("#name"), "odalys"), chromedp.SendKeys(chromedp.CSS("#password"), dockPhrase), chromedp.Click(chromedp.CSS("main button.first")))
	b.lands(t, `location.pathname === "/"`)
	seen := 0
	for path := range pages {
		b.do(t, chromedp.Navigate(b.base+path), chromedp.WaitReady(chromedp.CSS("#main")))
		got := eval[struct {
			Ran, Made int
			Text      bool
		}](t, b, `({Ran: window.pwned ?? 0, Made: document.querySelectorAll(".pwn, [onfocus], [onerror], [onload], a[href^='javascript:' i], form[action^='javascript:' i]").length, Text: document.body.textContent.includes("pwned")})`)
		if got.Ran != 0 || got.Made != 0 {
			t.Errorf("%s: ran %d, elements or handlers made %d", path, got.Ran, got.Made)
		}
		if got.Text {
			seen++
		}
	}
	if seen < len(pages)/2 {
		t.Errorf("only %d of %d pages show a hostile name: this test looks at the wrong pages", seen, len(pages))
	}
	for _, f := range b.complaints() {
		if !strings.Contains(f, "404") && !strings.Contains(f, "422") {
			t.Errorf("console: %s", f)
		}
	}
}

// lands waits for a condition on the page that a form leads to; while one page goes and the next comes nothing can be asked.
func (b *tab) lands(t *testing.T, js string) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		is, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](`document.readyState === "complete" && `+js))
		if err == nil && is {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("browser: waiting for %s: %v", js, err)
		}
	}
}
