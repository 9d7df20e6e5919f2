package dashboards

import (
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func (s *site) as(t *testing.T, path string, cookies ...string) string {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "127.0.0.1:8080"
	r.Header.Set("Cookie", strings.Join(cookies, "; "))
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("%s: status %d", path, w.Code)
	}
	return w.Body.String()
}

// A reader's zone and units hold on every page; others see their own, and what is stored does not change.
func TestReadersChooseZoneAndUnits(t *testing.T) {
	s := open(t, market(), marketBook(t))
	path := seriesURL("217", "7e8", "m3b.tc0")
	before := s.must(t, path)
	if !strings.Contains(before, "CDT") || !strings.Contains(before, "620 Pa") {
		t.Fatal("without a choice times are those of the depot, units metric")
	}
	us := s.as(t, path, "zone=America%2FLos_Angeles", "units=us")
	for _, want := range []string{"PDT", "at most 2.49 inH₂O", "What was normal", "0.964 inH₂O", `<option selected>America/Los_Angeles`} {
		if !strings.Contains(us, want) {
			t.Errorf("in US units and Pacific time the series page does not say %q", want)
		}
	}
	if strings.Contains(us, "CDT") || strings.Contains(us, " Pa<") {
		t.Error("the page mixes zones or units")
	}
	if csv := s.as(t, path+"/readings.csv", "units=us"); !strings.Contains(csv, "value [[in_i'H2O]]") {
		t.Errorf("the file does not name the unit: %.120s", csv)
	}
	if points := s.as(t, path+"/points.json", "units=us"); !strings.Contains(points, `"unit":"inH₂O"`) {
		t.Error("the chart does not follow")
	}
	if once := s.as(t, path+"?zone=UTC"); !strings.Contains(once, " UTC</time>") || strings.Contains(once, "CDT") {
		t.Error("the address does not choose the zone of one page")
	}
	if unit := s.as(t, "/units/217", "units=us"); !strings.Contains(unit, "29957 mi") {
		t.Error("the odometer stays metric")
	}
	for _, odd := range []string{"zone=No%2FSuch", "zone=Local", "zone=..%2F..%2Fetc", "units=furlongs", "zone=" + strings.Repeat("x", 200)} {
		if body := s.as(t, path, odd); strings.Contains(body, "PDT") || !strings.Contains(body, "CDT") {
			t.Errorf("%s: what is unknown counts as not chosen", odd)
		}
	}
	if s.must(t, path) != before {
		t.Error("another reader's choice changed this one's page")
	}
}

func TestChoiceIsKeptAndGoesHome(t *testing.T) {
	s := open(t, market(), marketBook(t))
	w := s.post("/view", "zone=UTC&units=us&back=/units/217%3Fzone=x%26a=1", same)
	cookies := strings.Join(w.Header().Values("Set-Cookie"), "\n")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/units/217?a=1" || !strings.Contains(cookies, "zone=UTC; Path=/") || !strings.Contains(cookies, "units=us; Path=/") {
		t.Errorf("%d to %s with %s", w.Code, w.Header().Get("Location"), cookies)
	}
	for _, away := range []string{"https://evil.example/", "//evil.example/", "/\\evil.example", "javascript:alert(1)", ""} {
		if to := homeward(away); to != "/" {
			t.Errorf("from %q to %q", away, to)
		}
	}
}

// Factors against NIST SP 811 (2008) and fixed points: 0 and 100 degrees Celsius, one atmosphere, a mile.
func TestCustomaryUnits(t *testing.T) {
	for _, c := range []struct {
		ucum string
		v    float64
		want float64
	}{{"Cel", 0, 32}, {"Cel", 100, 212}, {"Cel", -40, -40}, {"kPa", 101.325, 14.69595}, {"km", 1.609344, 1}, {"L", 3.785411784, 1}, {"kg", 0.45359237, 1},
		{"Pa", 249.08891, 1}, {"m", 0.3048, 1}, {"mm", 25.4, 1}, {"g/s", 453.59237 / 60, 1}, {"km/h", 100, 62.13712}} {
		u := customaryUnits[c.ucum]
		if got := c.v*u.scale + u.offset; math.Abs(got-c.want) > 1e-5*math.Max(1, math.Abs(c.want)) {
			t.Errorf("%v %s is %v %s, want %v", c.v, c.ucum, got, u.ucum, c.want)
		}
		if strings.ContainsAny(unitSign(u.ucum), "[]") {
			t.Errorf("%s has no sign for people", u.ucum)
		}
	}
}

func TestDecisionsCanBeTakenBack(t *testing.T) {
	s := open(t, market(), marketBook(t))
	if body := s.must(t, "/alerts/a-217"); strings.Contains(body, "Take it back") {
		t.Error("an open alert has nothing to take back")
	}
	for _, path := range []string{"/alerts/a-201", "/alerts/a-205"} {
		if body := s.must(t, path); !strings.Contains(body, "Take it back") {
			t.Errorf("%s: a decision stands and cannot be taken back", path)
		}
		if w := s.post(path+"/reopen", "who=Ilvane", same); w.Code != http.StatusSeeOther {
			t.Fatalf("%s: status %d", path, w.Code)
		}
		if body := s.must(t, path); strings.Contains(body, "Take it back") || !strings.Contains(body, "→ open") || strings.Contains(body, "Explained by") {
			t.Errorf("%s: not open again, or the history does not say so", path)
		}
	}
	if w := s.post("/alerts/a-201/reopen", "who=", same); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("nobody took it back: %d", w.Code)
	}
}

func TestFindGoesToTheUnit(t *testing.T) {
	s := open(t, market(), marketBook(t))
	for q, want := range map[string]string{"217": "/units/217", " 217 ": "/units/217", "40": "/units/408", "21": "/units?q=21", "00014": "/units/217", "nothing": "/units?q=nothing"} {
		r := httptest.NewRequest(http.MethodGet, "/find?q="+strings.ReplaceAll(q, " ", "+"), nil)
		r.Host = "localhost"
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if got := w.Header().Get("Location"); got != want {
			t.Errorf("%q leads to %s, want %s", q, got, want)
		}
	}
	if body := s.must(t, "/units?q=40"); !strings.Contains(body, ">408<") || strings.Contains(body, ">217<") {
		t.Error("the list is not narrowed")
	}
	if body := s.must(t, "/units?q=nothing"); !strings.Contains(body, "No unit has “nothing”") {
		t.Error("an empty search is not said")
	}
}

func TestOnlySoManySitesAreKept(t *testing.T) {
	s := open(t, market(), marketBook(t))
	for i := range 3 * otherSites {
		s.siteFor(reader{zone: time.FixedZone("z", i)}, nil)
	}
	if n := len(s.others.sites); n > otherSites {
		t.Errorf("%d sites are kept", n)
	}
}
