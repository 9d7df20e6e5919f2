package main

import (
	"context"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"marginline/dashboards/people"
)

// Who may use each route, written down apart from the program: o anybody without a sign-in, v viewer, a analyst, s shop, m manager,
// x administrator; k says that API keys open it too. A route of the program that is not here fails the test, and so does
// one here that the program lacks.
const whoMay = `
GET /static/                                        o
GET /sw.js                                          o
GET /livez                                          o
GET /readyz                                         o
GET /sign-in                                        o
POST /sign-in                                       o
GET /sign-in/provider                               o
GET /sign-in/back                                   o
POST /sign-out                                      o
POST /view                                          o
GET /                                               vasmx
GET /help                                           vasmx
GET /events                                         vasmx
GET /account                                        vasmx
POST /account/password                              vasmx
POST /account/keys                                  vasmx
POST /account/keys/{key}/revoke                     vasmx
GET /{$}                                            vasmx
GET /units                                          vamx
GET /units/{unit}                                   vasmx
GET /series/{unit}/{ecu}/{test}                     vasmx
GET /series/{unit}/{ecu}/{test}/points.json         vasmxk
GET /series/{unit}/{ecu}/{test}/readings.csv        vasmxk
GET /series/{unit}/{ecu}/{test}/peers.json          vamxk
GET /alerts.csv                                     vamxk
GET /alerts.xlsx                                    vamxk
GET /orders.csv                                     vasmxk
GET /orders.xlsx                                    vasmxk
GET /units/{unit}/record.csv                        vamxk
GET /units/{unit}/record.xlsx                       vamxk
GET /delivery                                       vamx
POST /delivery/test                                 mx
POST /plan/{job}/move                               mx
GET /api/v1/receivers                               vamxk
GET /alerts                                         vamx
GET /alerts/{id}                                    vasmx
POST /alerts/{id}/{verb}                            mx
GET /orders                                         vasmx
GET /orders/{id}                                    vasmx
POST /orders/{id}/steps                             smx
GET /orders/{id}/outcome                            smx
POST /orders/{id}/outcome                           smx
GET /plan                                           vasmx
POST /plan/{job}                                    mx
POST /plan/{job}/move                               mx
GET /shop                                           vasmx
POST /shop/facts                                    smx
POST /shop/file                                     mx
GET /review                                         vamx
GET /fleet                                          vamx
GET /settings                                       vamx
GET /quarantine                                     vamx
GET /quarantine/{id}                                vamx
POST /quarantine/replay                             mx
GET /find                                           vamx
GET /help/columns                                   vamx
GET /sql                                            amx
POST /sql                                           amx
GET /sql/answer/{form}                              amxk
POST /sql/answer/{form}                             amxk
GET /sql/load                                       amxk
POST /sql/saved                                     amx
GET /metrics                                        vamxk
GET /people                                         x
POST /people                                        x
POST /people/{name}/{verb}                          x
POST /people/{name}/keys/{key}/revoke               x
GET /api/v1/openapi.json                            vasmxk
GET /api/v1/openapi.yaml                            vasmxk
GET /api/v1/schemas/{schema}                        vasmxk
GET /api/v1/alerts                                  vasmxk
GET /api/v1/alerts/{id}                             vasmxk
POST /api/v1/alerts/{id}/decisions                  mxk
GET /api/v1/orders                                  vasmxk
POST /api/v1/orders                                 mxk
GET /api/v1/orders/{id}                             vasmxk
GET /api/v1/orders/{id}/sheet                       vasmxk
POST /api/v1/orders/{id}/steps                      smxk
POST /api/v1/orders/{id}/outcomes                   smxk
GET /api/v1/plan                                    vasmxk
POST /api/v1/plan/what-if                           mxk
POST /api/v1/plan/{job}/accept                      mxk
GET /api/v1/shop/facts                              vasmxk
POST /api/v1/shop/facts                             smxk
POST /api/v1/shop/facts/import                      mxk
POST /api/v1/shop/facts/{id}/retract                mxk
GET /api/v1/shop/file                               vamxk
PUT /api/v1/shop/file                               mxk
GET /api/v1/review                                  vamxk
GET /api/v1/units/{unit}/readiness                  vasmxk
GET /api/v1/units/{unit}/records                    vasmxk
GET /api/v1/deliveries                              vamxk
POST /api/v1/deliveries/test                        mxk
GET /api/v1/calendars/{depot}                       vasmxk
`

const testPhrase = "seven lamps along the dock"

// A guarded service has one person of each role; the shop's depot is that of own.
type guarded struct {
	*app
	base         string
	routes       []string
	letters      map[string]string // name of a person by the letter of the role
	own, foreign string            // units
	depot        string            // of own
	otherDepot   string
}

func guardedFleet(t *testing.T) *guarded {
	t.Helper()
	data, _ := smallFleet(t)
	a, _ := served(t, data)
	g := &guarded{app: a, letters: map[string]string{"x": "odalys", "m": "tomas", "a": "ana", "v": "vera", "s": "bay2"}}
	for _, u := range a.roster.Load().Units() {
		switch {
		case g.own == "":
			g.own, g.depot = u.Unit, u.Depot
		case u.Depot != g.depot && g.foreign == "":
			g.foreign, g.otherDepot = u.Unit, u.Depot
		}
	}
	if g.foreign == "" {
		t.Fatal("the fleet has one depot only")
	}
	for _, p := range []people.Person{{Name: "odalys", Role: people.Administrator}, {Name: "tomas", Role: people.Manager}, {Name: "ana", Role: people.Analyst}, {Name: "vera", Role: people.Viewer},
		{Name: "bay2", Role: people.Shop, Depots: []string{g.depot}}} {
		if _, err := a.people.Add(t.Context(), "test", p, testPhrase); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.floor.Install(t.Context(), readText(t, yardFileOf(t, a)), "test"); err != nil {
		t.Fatal(err)
	}
	pages, err := a.pages()
	if err != nil {
		t.Fatal(err)
	}
	g.routes = pages.Routes()
	srv := httptest.NewServer(pages.Handler())
	t.Cleanup(srv.Close)
	g.base = srv.URL
	return g
}

// A caller makes requests as one person or key, without following redirections.
type caller struct {
	g      *guarded
	client *http.Client
	key    string
}

func (g *guarded) caller(t *testing.T) *caller {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &caller{g: g, client: &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

func (g *guarded) signIn(t *testing.T, name string) *caller {
	t.Helper()
	c := g.caller(t)
	if status, _, _ := c.ask(t, "POST", "/sign-in", "name="+name+"&password="+url.QueryEscape(testPhrase), nil); status != http.StatusSeeOther {
		t.Fatalf("sign-in of %s: %d", name, status)
	}
	return c
}

// ask makes a request; a body that begins with { is JSON, another a form.
func (c *caller) ask(t *testing.T, method, path, body string, head map[string]string) (status int, text string, h http.Header) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, c.g.base+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	switch {
	case strings.HasPrefix(body, "{"):
		req.Header.Set("Content-Type", "application/json")
	case method != "GET":
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if c.key != "" {
		req.Header.Set("Authorization", "Bearer "+c.key)
	}
	for k, v := range head {
		req.Header.Set(k, v)
	}
	res, err := c.client.Do(req)
	if err != nil {
		t.Fatal(method, path, err)
	}
	defer res.Body.Close()
	if path == "/events" {
		return res.StatusCode, "", res.Header
	}
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(method, path, err)
	}
	return res.StatusCode, string(b), res.Header
}

// address fills a pattern with names that are there for everybody, or nowhere.
func (g *guarded) address(pattern string) (method, path string) {
	method, path, _ = strings.Cut(pattern, " ")
	path = strings.NewReplacer("{unit}", url.PathEscape(g.own), "{depot}", url.PathEscape(g.depot), "{$}", "", "{form}", "csv", "{ecu}", "7e8", "{test}", "m21.t89",
		"{name}", "nobody", "{verb}", "acknowledge", "{id}", "a-NOPE", "{job}", "a-NOPE", "{key}", "nope", "{schema}", "nope.json").Replace(path)
	return method, path
}

// turned says whether an answer came from the guard and not from the route.
func turned(status int, h http.Header) bool {
	return status == http.StatusUnauthorized || status == http.StatusForbidden || status == http.StatusSeeOther && strings.HasPrefix(h.Get("Location"), "/sign-in")
}

func TestEveryRouteByRole(t *testing.T) {
	g := guardedFleet(t)
	want := map[string]string{}
	for line := range strings.Lines(whoMay) {
		if i := strings.LastIndex(strings.TrimSpace(line), " "); i > 0 {
			want[strings.TrimSpace(line[:i])] = strings.TrimSpace(line[i:])
		}
	}
	callers := map[string]*caller{"": g.caller(t)}
	for letter, name := range g.letters {
		callers[letter] = g.signIn(t, name)
		role := map[string]people.Role{"x": people.Manager, "m": people.Manager, "a": people.Analyst, "v": people.Viewer, "s": people.Shop}[letter]
		key, err := g.people.AddKey(t.Context(), name, name, "test", role, time.Now().Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		k := g.caller(t)
		k.key = key
		callers["key "+letter] = k
	}
	wrong := g.caller(t)
	wrong.key = "mlk_aaaaaaaaaa_" + strings.Repeat("A", 43)
	callers["wrong key"] = wrong
	seen := map[string]bool{}
	for _, pattern := range g.routes {
		who, listed := want[pattern]
		if !listed {
			t.Errorf("%s: the table does not say who may use it", pattern)
			continue
		}
		seen[pattern] = true
		if pattern == "POST /sign-out" || pattern == "POST /sign-in" {
			continue // they have tests of their own, and would end these sessions or count as wrong tries
		}
		method, path := g.address(pattern)
		for as, c := range callers {
			letter, isKey := strings.CutPrefix(as, "key ")
			allowed := strings.Contains(who, "o") || letter != "" && as != "wrong key" && strings.Contains(who, letter) && (!isKey || strings.Contains(who, "k"))
			status, text, h := c.ask(t, method, path, "", nil)
			if turned(status, h) == allowed {
				t.Errorf("%s as %q: status %d %s, allowed %v: %.200s", pattern, as, status, h.Get("Location"), allowed, text)
			}
			if status >= 500 && path != "/readyz" { // only serve makes it ready
				t.Errorf("%s as %q: %d", pattern, as, status)
			}
		}
	}
	for pattern := range want {
		if !seen[pattern] {
			t.Errorf("%s is in the table and not served", pattern)
		}
	}
}

// A page elsewhere that makes a browser post here is refused on every route, even from an administrator's browser.
func TestCrossSitePostsAreRefused(t *testing.T) {
	g := guardedFleet(t)
	c := g.signIn(t, "odalys")
	n := 0
	for _, pattern := range g.routes {
		method, path := g.address(pattern)
		if method == "GET" {
			continue
		}
		n++
		for _, head := range []map[string]string{{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": "https://elsewhere.example"}, {"Origin": "null"}} {
			if status, text, _ := c.ask(t, method, path, "", head); status != http.StatusForbidden {
				t.Errorf("%s with %v: %d %.100s", pattern, head, status, text)
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d routes change something", n)
	}
	if status, _, _ := c.ask(t, "GET", "/account", "", nil); status != http.StatusOK {
		t.Errorf("a refused post ended the session: %d", status)
	}
}

// A shop gets to its own depot's alerts, orders, plan and facts by every way, and to another's by none.
func TestShopSeesItsOwnDepotAlone(t *testing.T) {
	g := guardedFleet(t)
	boss, shop := g.signIn(t, "tomas"), g.signIn(t, "bay2")
	order := map[string]string{}
	alert := map[string]string{}
	for _, unit := range []string{g.own, g.foreign} {
		fact := `{"kind":"report","unit":"` + unit + `","at":"` + g.now().UTC().Format(time.RFC3339) + `","symptom":"fuel_smell","by":"driver"}`
		if status, text, _ := boss.ask(t, "POST", "/api/v1/shop/facts", fact, nil); status != 200 {
			t.Fatal(status, text)
		}
	}
	list, err := g.book.List(t.Context(), true)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		if unit := a.Unit; (unit == g.own || unit == g.foreign) && alert[unit] == "" && a.State.Standing() {
			o, err := g.floor.Open(t.Context(), a.ID, "test", true)
			if err != nil {
				continue
			}
			alert[unit], order[unit] = a.ID, o.ID
		}
	}
	if order[g.own] == "" || order[g.foreign] == "" {
		t.Fatalf("no orders of two depots: %v %v", alert, order)
	}
	for _, c := range []struct {
		method, path, body string
	}{
		{"GET", "/alerts/" + alert[g.foreign], ""}, {"GET", "/orders/" + order[g.foreign], ""}, {"GET", "/orders/" + order[g.foreign][:4], ""}, {"GET", "/orders/" + order[g.foreign] + "/outcome", ""},
		{"POST", "/orders/" + order[g.foreign] + "/outcome", "found=found&codes_cleared=no&reprogrammed=no"}, {"GET", "/units/" + g.foreign, ""}, {"GET", "/series/" + g.foreign + "/7e8/m21.t89/points.json", ""},
		{"GET", "/api/v1/alerts/" + alert[g.foreign], ""}, {"GET", "/api/v1/orders/" + order[g.foreign], ""}, {"GET", "/api/v1/orders/" + order[g.foreign] + "/sheet", ""},
		{"POST", "/api/v1/orders/" + order[g.foreign] + "/steps", `{"step":"arrive"}`},
		{"POST", "/api/v1/orders/" + order[g.foreign] + "/outcomes", `{"key":"k","at":"2026-01-01T00:00:00Z","found":"found","codes_cleared":false,"reprogrammed":false}`},
		{"GET", "/api/v1/units/" + g.foreign + "/records", ""}, {"GET", "/api/v1/units/" + g.foreign + "/readiness", ""}, {"GET", "/api/v1/calendars/" + url.PathEscape(g.otherDepot), ""},
		{"GET", "/units/no-such-unit", ""}, {"GET", "/api/v1/orders/w-NOPE", ""},
	} {
		if status, text, _ := shop.ask(t, c.method, c.path, c.body, nil); status != http.StatusNotFound {
			t.Errorf("%s %s: %d, want 404: %.200s", c.method, c.path, status, text)
		}
	}
	for _, path := range []string{"/orders", "/plan", "/shop", "/api/v1/orders", "/api/v1/alerts", "/api/v1/shop/facts", "/api/v1/alerts?all=true", "/orders/" + order[g.own], "/alerts/" + alert[g.own], "/units/" + g.own} {
		status, text, _ := shop.ask(t, "GET", path, "", nil)
		if status != 200 {
			t.Errorf("%s: %d", path, status)
		}
		for _, secret := range []string{alert[g.foreign], order[g.foreign], `"` + g.foreign + `"`, ">" + g.foreign + "<"} {
			if strings.Contains(text, secret) {
				t.Errorf("%s tells of %s", path, secret)
			}
		}
	}
	// What a shop does bears its name, whatever it says; what is not a shop's to do is refused.
	own := "/api/v1/orders/" + order[g.own]
	if status, text, _ := shop.ask(t, "POST", own+"/steps", `{"step":"cancel","reason":"x"}`, nil); status != http.StatusForbidden {
		t.Errorf("a shop cancels: %d %s", status, text)
	}
	if status, text, _ := shop.ask(t, "POST", own+"/steps", `{"step":"arrive","by":"somebody else"}`, nil); status != 200 {
		t.Errorf("a shop takes its unit in: %d %s", status, text)
	}
	if status, text, _ := shop.ask(t, "POST", "/orders/"+order[g.own]+"/steps", "step=start&who=somebody+else", nil); status != http.StatusSeeOther {
		t.Errorf("work begins: %d %s", status, text)
	}
	history, err := g.book.OrderHistory(t.Context(), order[g.own])
	if err != nil {
		t.Fatal(err)
	}
	if n := len(history); n < 2 || history[n-1].Who != "bay2" || history[n-2].Who != "bay2" {
		t.Errorf("%+v", history)
	}
	if status, _, _ := shop.ask(t, "POST", "/api/v1/shop/facts", `{"kind":"report","unit":"`+g.foreign+`","at":"`+g.now().UTC().Format(time.RFC3339)+`","symptom":"fuel_smell"}`, nil); status != 422 {
		t.Errorf("a fact of another depot's unit: %d", status)
	}
}
