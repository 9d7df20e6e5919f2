package dashboards

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
)

// same is what a browser sends with a form of our own page.
var same = map[string]string{"Sec-Fetch-Site": "same-origin", "Origin": "http://127.0.0.1:8080"}

func TestFormsRefuseOtherSites(t *testing.T) {
	s := open(t, market(), marketBook(t))
	for name, head := range map[string]map[string]string{
		"another site":            {"Sec-Fetch-Site": "cross-site", "Origin": "https://evil.example"},
		"another port":            {"Sec-Fetch-Site": "same-site", "Origin": "http://127.0.0.1:9999"},
		"an old browser, foreign": {"Origin": "http://evil.example"},
	} {
		if w := s.post("/alerts/a-217/acknowledge", "who=Ilvane", head); w.Code != http.StatusForbidden {
			t.Errorf("%s: status %d, want 403", name, w.Code)
		}
	}
	if body := s.must(t, "/alerts/a-217"); strings.Contains(body, "acknowledged") {
		t.Error("a refused form was taken")
	}
}

func TestDecisionsAreWrittenDown(t *testing.T) {
	s := open(t, market(), marketBook(t))
	for _, c := range []struct{ id, verb, form, want string }{
		{"a-408", "acknowledge", "who=Ilvane+B", "acknowledged"},
		{"a-217", "explain", "who=Orrin&reason=filled+up+on+hot+evenings", "explained"},
		{"a-214", "mute", "who=Ilvane&reason=" + url.QueryEscape("booked <Friday>") + "&until=2026-06-01", "muted"},
	} {
		w := s.post("/alerts/"+c.id+"/"+c.verb, c.form, same)
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/alerts/"+c.id+"#history" {
			t.Fatalf("%s: status %d to %q\n%s", c.verb, w.Code, w.Header().Get("Location"), w.Body)
		}
		cookie := w.Header().Get("Set-Cookie")
		if !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Strict") {
			t.Errorf("%s: cookie %q", c.verb, cookie)
		}
		body := s.must(t, "/alerts/"+c.id)
		who, _ := url.ParseQuery(c.form)
		for _, want := range []string{c.want, who.Get("who"), strings.ReplaceAll(strings.ReplaceAll(who.Get("reason"), "<", "&lt;"), ">", "&gt;")} {
			if !strings.Contains(body[strings.Index(body, `id="history"`):], want) {
				t.Errorf("%s: the history does not say %q", c.verb, want)
			}
		}
	}
	if body := s.must(t, "/"); !strings.Contains(body, "1 needs a decision") {
		t.Error("Today still counts what was decided")
	}
}

func TestFormsSayWhatIsWrongAndKeepTheRest(t *testing.T) {
	s := open(t, market(), marketBook(t))
	for _, c := range []struct{ verb, form, want, kept string }{
		{"acknowledge", "who=+&reason=seen", "Say who decides", "seen"},
		{"explain", "who=Orrin", "Say why", "Orrin"},
		{"mute", "who=Orrin&reason=wait&until=soon", "Give the day on which the mute ends", "wait"},
		{"mute", "who=Orrin&reason=wait&until=2026-05-01", "must lie ahead", "2026-05-01"},
		{"explain", "who=Orrin&reason=" + strings.Repeat("x", 3000), "too long", "Orrin"},
	} {
		w := s.post("/alerts/a-217/"+c.verb, c.form, same)
		if body := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(body, c.want) || !strings.Contains(body, c.kept) {
			t.Errorf("%s %s: status %d, want 422 with %q and what was typed", c.verb, c.form[:min(len(c.form), 40)], w.Code, c.want)
		}
	}
	if w := s.post("/alerts/a-217/explode", "who=Orrin", same); w.Code != http.StatusNotFound {
		t.Errorf("an unknown decision: status %d, want 404", w.Code)
	}
	if w := s.post("/alerts/none/acknowledge", "who=Orrin", same); w.Code != http.StatusNotFound {
		t.Errorf("an unknown alert: status %d, want 404", w.Code)
	}
	if w := s.post("/alerts/a-217/acknowledge", "who=T&reason="+strings.Repeat("y", 100_000), same); w.Code == http.StatusSeeOther {
		t.Error("a form without end was taken")
	}
}

func TestWorkOrdersAreMadeFromAlerts(t *testing.T) {
	s := open(t, market(), marketBook(t))
	if body := s.must(t, "/orders"); !strings.Contains(body, "No work order yet") {
		t.Error("the empty list does not say what next")
	}
	w := s.post("/alerts/a-217/order", "who=Ilvane+Holt", same)
	path := w.Header().Get("Location")
	if w.Code != http.StatusSeeOther || !strings.HasPrefix(path, "/orders/w-") {
		t.Fatalf("status %d to %q\n%s", w.Code, path, w.Body)
	}
	body, last := s.must(t, path), -1
	for _, want := range []string{
		">217<", "9ZZ TEST74 RA000014", "Sun 24 May 2026", "Ilvane Holt", "Safety first", "Never put shop air into a fuel tank", "Defer to the vehicle maker",
		"Complaint", "No driver complaint", "Evidence", "504 Pa", "<svg class=\"chart\"", "Checks, in this order", "Do not clear codes", "Confirm unit number and VIN",
		"What proves it fixed", "3 fresh results", "To fill in", "Cause", "Correction", "cause found", "nothing found", "Codes cleared", "Signature",
	} {
		i := strings.Index(body[last+1:], want)
		if i < 0 {
			t.Errorf("the sheet does not say %q after what stands before it", want)
			continue
		}
		last += 1 + i
	}
	if body := s.must(t, "/alerts/a-217"); !strings.Contains(body, path) || strings.Contains(body, "a-217/order\"") {
		t.Error("the alert must lead to its order and offer no second one")
	}
	if body := s.must(t, "/orders"); !strings.Contains(body, path) || !strings.Contains(body, "1 open") {
		t.Error("the list does not have the order")
	}
	if body := s.must(t, "/"); !strings.Contains(body, "3 need a decision") || !strings.Contains(body, "work order made") {
		t.Error("Today does not know of the order")
	}
	short := httptest.NewRequest(http.MethodGet, path[:len("/orders/w-")+4], nil)
	short.Host = "localhost"
	got := httptest.NewRecorder()
	s.Handler().ServeHTTP(got, short)
	if got.Code != http.StatusFound || got.Header().Get("Location") != path {
		t.Errorf("the beginning of an id: status %d to %q, want %s", got.Code, got.Header().Get("Location"), path)
	}
}

func TestAClosedAlertTakesNoDecision(t *testing.T) {
	s := open(t, market(), marketBook(t))
	if body := s.must(t, "/alerts/a-old"); strings.Contains(body, `action="/alerts/`) {
		t.Error("a closed alert offers decisions")
	}
	for _, verb := range []string{"acknowledge", "order"} {
		w := s.post("/alerts/a-old/"+verb, "who=Ilvane", same)
		if w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "cannot be changed like this") {
			t.Errorf("%s: status %d, want 409 and why", verb, w.Code)
		}
	}
}
