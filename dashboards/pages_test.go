package dashboards

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"marginline/alerts/review"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

func TestTodayPutsDecisionsFirst(t *testing.T) {
	s := open(t, market(), marketBook(t))
	body := s.must(t, "/")
	last := -1
	for _, want := range []string{
		"22 units", "4 need a decision", ">408<", "converts less than it did.</a>", "22 May to 27 May", "Pull the PM service due 27 May forward to before 22 May, the earliest likely date, and inspect along with it.",
		"The truck may lose power and finally crawl", ">214<", "The next failed run sets the code", ">217<", "Since yesterday", "worse", "Now failed a test", "Surprises", ">312<", "P0304 was confirmed without warning",
		"Silent: nothing is known of these", ">224<", "never reported", ">305<", "last report 12 days ago", "Protected in part", ">220<", "Inspections within 30 days", "an alert stands: catalyst", "Learning", ">410<", "In hand", ">201<",
		"no sign of drift", "read in the last 24 h", "explained or muted", "3 messages could not be read",
	} {
		at := strings.Index(body, want)
		if at < 0 {
			t.Errorf("Today does not say %q", want)
		} else if at < last {
			t.Errorf("%q comes too early", want)
		} else {
			last = at
		}
	}
	if regexp.MustCompile(`(?i)healthy</|>\s*healthy`).MatchString(body) {
		t.Error("Today calls a unit healthy")
	}
}

// What happened to a unit is on the axis of its trends and, the newest first, in words.
func TestUnitShowsWhatHappened(t *testing.T) {
	s := open(t, market(), marketBook(t))
	body := s.must(t, "/units/217")
	last := -1
	for _, want := range []string{
		`class="spark lane"`, `id="happened"`, "X</span>", "R</span>", "29 Mar 2026", "<strong>repair</strong>",
		"C</span>", "<strong>code</strong>: P0442 was first read", "F</span>", "<strong>reflash</strong>: control unit 7e8 reads calibration CAL-B2 instead of CAL-A1", "D</span>", "48211 km",
		"Inspection due", "in 31 days", "Needed by dispatch", "None was made yet", "5 warm-up cycles ago, 312 km ago", "Not run since codes were cleared",
	} {
		at := strings.Index(body, want)
		if at < 0 {
			t.Errorf("the unit page does not say %q", want)
		} else if at < last {
			t.Errorf("%q comes too early", want)
		} else {
			last = at
		}
	}
	if n := strings.Count(body, `class="event"`); n < 5*5 {
		t.Errorf("%d lines of events: each trend shows each", n)
	}
	path := s.post("/alerts/a-217/order", "who=Ilvane", same).Header().Get("Location")
	if body := s.must(t, "/units/217"); !strings.Contains(body, `href="`+path+`"`) || !strings.Contains(body, "approved") {
		t.Error("the unit page does not show its work order")
	}
	if body := s.must(t, "/"); !strings.Contains(body, "was made.</a>") {
		t.Error("Today does not say that a work order was made")
	}
}

func TestFleetCountsWithCare(t *testing.T) {
	s := open(t, market(), marketBook(t))
	body := s.must(t, "/fleet")
	for _, want := range []string{"All depots", "Tannery Row", "2 <span class=\"grey\">(1 never reported)", "Families of tests by engine family", ", few", "812", "dgl-410", "stored, never counted",
		"What became of the alerts", "none decided yet", "enter outcomes on the work orders"} {
		if !strings.Contains(body, want) {
			t.Errorf("the fleet page does not say %q", want)
		}
	}
	// A depot in which every unit has the alert stands out; one unit of one does not.
	var units []*fleet.Unit
	families, raised := map[string][]string{}, map[[2]string]bool{}
	add := func(depot string, n, bad int) {
		for i := range n {
			u := fleet.NewUnit(fmt.Sprintf("%s%d", depot, i))
			u.Depot = depot
			units = append(units, &u)
			families[u.Unit] = []string{"catalyst"}
			raised[[2]string{u.Unit, "catalyst"}] = i < bad
		}
	}
	add("A", 40, 2)
	add("B", 12, 9)
	add("C", 1, 1)
	// Two of eight beside none of eleven is nothing; 56 of 70 beside 48 of 80 has the interval 0.0524 to 0.3339
	// (Newcombe 1998, table II, first example, method 10, from memory).
	if more(review.ShareOf(2, 8), review.ShareOf(0, 11)) || !more(review.ShareOf(56, 70), review.ShareOf(48, 80)) || more(review.ShareOf(48, 80), review.ShareOf(56, 70)) {
		t.Error("what stands out does not follow the interval of the difference")
	}
	m := tally("d", "", "", units, families, raised, func(u *fleet.Unit) string { return u.Depot })
	got := m.Rows[0].Cells
	if m.Marked != 1 || got[0].More || !got[1].More || got[2].More || !got[2].Few() || got[1].Of != 9 || m.Rows[0].All.N != 53 {
		t.Errorf("marked %d: %+v", m.Marked, got)
	}
}

func TestQuarantineShowsAndReplays(t *testing.T) {
	s := open(t, market(), marketBook(t))
	body := s.must(t, "/quarantine")
	for _, want := range []string{"3 entries", "bad_length</a>, 2: The message does not hold whole records.", `value="6.0"`, "whole report", "message 2"} {
		if !strings.Contains(body, want) {
			t.Errorf("the quarantine does not say %q", want)
		}
	}
	if body := s.must(t, "/quarantine?device=dgl-305"); strings.Contains(body, `value="6.0"`) || !strings.Contains(body, `value="7.2"`) {
		t.Error("the filter by dongle does not hold")
	}
	if body := s.must(t, "/quarantine/6.0"); !strings.Contains(body, "46 01 ff") || strings.Contains(body, "As text") {
		t.Error("bytes that are no text are shown as hex only")
	}
	if body := s.must(t, "/quarantine/5"); !strings.Contains(body, "&lt;script&gt;") || strings.Contains(body, "<script>alert") {
		t.Error("the raw text must be text")
	}
	if code, _ := s.get(t, "/quarantine/99"); code != http.StatusNotFound {
		t.Errorf("an entry that is not there: %d", code)
	}
	if w := s.post("/quarantine/replay", "", same); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "No entry is chosen") {
		t.Errorf("nothing chosen: %d", w.Code)
	}
	w := s.post("/quarantine/replay", "id=5&id=6.0", same)
	for _, want := range []string{"1 of 2 entries came in", "6.0: came in as report r-6/2", "5: stays: unreadable", "2 entries that"} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("after the replay the page does not say %q", want)
		}
	}
	if w := s.post("/quarantine/replay", "id=5", map[string]string{"Sec-Fetch-Site": "cross-site"}); w.Code != http.StatusForbidden {
		t.Errorf("another site may replay: %d", w.Code)
	}
}

func TestSettingsAreShownAndTried(t *testing.T) {
	s := open(t, market(), marketBook(t))
	body := s.must(t, "/settings")
	if !strings.Contains(body, analyze.DefaultSettings().Version) {
		t.Error("the version in force is not said")
	}
	for _, n := range analyze.DefaultSettings().Numbers() {
		if settingWords[n.Name] == "" || !strings.Contains(body, "<code>"+n.Name+"</code>") {
			t.Errorf("setting %s has no words or is not shown", n.Name)
		}
	}
	for name := range settingWords {
		if !strings.Contains(body, "<code>"+name+"</code>") {
			t.Errorf("words for %s, which is no setting", name)
		}
	}
	if !strings.Contains(body, `540</td><td class="n">10 %</td>`) {
		t.Error("the break-even of the fleet's own costs is not shown")
	}
	body = s.must(t, "/settings?set=threshold&to=20")
	for _, want := range []string{"threshold=20", ">9</td><td class=\"n\">5</td>", "95 % intervals", "of 12: pays"} {
		if !strings.Contains(body, want) {
			t.Errorf("the preview does not say %q", want)
		}
	}
	if code, body := s.get(t, "/settings?set=threshold&to=much"); code != http.StatusUnprocessableEntity || !strings.Contains(body, "is not a number") {
		t.Errorf("a value that is none: %d", code)
	}
	s.trial.Lock()
	defer s.trial.Unlock()
	if code, body := s.get(t, "/settings?set=threshold&to=20"); code != http.StatusUnprocessableEntity || !strings.Contains(body, "Somebody else") {
		t.Errorf("two previews at once: %d", code)
	}
}

// A page does not wait for trends that take long: it says that they follow, and has them the next time.
func TestListsDoNotWaitForTrends(t *testing.T) {
	s := open(t, market(), marketBook(t))
	row := s.row(marketAlerts()[0], s.deps.Desk(t.Context()))
	s.trend(t.Context(), &row, today, true, time.Now().Add(-time.Hour))
	if row.Spark != "" || row.NoTrend != trendFollows {
		t.Errorf("after its time a trend was drawn: %q", row.NoTrend)
	}
	s.must(t, "/units/408")
	if s.trend(t.Context(), &row, today, true, time.Now().Add(-time.Hour)); row.Spark == "" {
		t.Error("a trend that is kept costs nothing and must be drawn")
	}
}

func TestEmptyStatesSayWhyAndWhatNext(t *testing.T) {
	s := open(t, newYard(), empty(t))
	for path, want := range map[string]string{
		"/": "no roster was imported", "/units": "import a roster", "/alerts": "No alert stands", "/alerts?all=1": "No alert was ever raised", "/orders": "No work order yet",
	} {
		if body := s.must(t, path); !strings.Contains(body, want) {
			t.Errorf("%s does not say %q", path, want)
		}
	}
	y := newYard()
	y.enrol("305", "Tannery Row", "")
	delete(y.polls, "305")
	if body := open(t, y, empty(t)).must(t, "/"); !strings.Contains(body, "no unit is reporting either") || strings.Contains(body, "were checked") {
		t.Error("with every unit silent, Today must not sound like good news")
	}
}

// Names come from outside. On every page they are text, never markup, and the links to them work.
func TestHostileNamesStayText(t *testing.T) {
	s := open(t, market(), marketBook(t))
	key := series.Key{Unit: hostile, ECU: "7e8", Test: "m3b.tc0"}
	for _, path := range []string{"/", "/units", unitURL(hostile), seriesURL(key.Unit, key.ECU, key.Test), "/alerts", "/alerts/a-hostile"} {
		body := s.must(t, path)
		if strings.Contains(body, "<script>alert") || strings.Contains(body, "<img") || strings.Contains(body, "<b>Depot") {
			t.Errorf("%s: a name became markup", path)
		}
		if !strings.Contains(body, "&lt;script&gt;alert(&#34;9&#34;)") && path != "/alerts/a-hostile" {
			t.Errorf("%s: the name is not there", path)
		}
	}
	if body := s.must(t, "/"); !strings.Contains(body, `href="`+html.EscapeString(unitURL(hostile))+`"`) {
		t.Errorf("Today does not link to %s", unitURL(hostile))
	}
	if code, _ := s.get(t, "/series/"+strings.Repeat("x", 3000)+"/a/b"); code != http.StatusNotFound {
		t.Errorf("a long name: status %d, want 404", code)
	}
}

// No page holds a script or a style of its own, and no page names another host.
func TestPagesBringNothingInline(t *testing.T) {
	s := open(t, market(), marketBook(t))
	inline := regexp.MustCompile(`(?i)<script(?:[^>]*src="/static/[^"]+")?[^>]*>[^<]|<style|\sstyle=|\son[a-z]+=|javascript:`)
	elsewhere := regexp.MustCompile(`(?i)(?:href|src|action)="(?:https?:)?//`)
	for name, path := range everyPage() {
		_, body := s.get(t, path)
		text := strings.ReplaceAll(body, "onerror=alert(1)", "") // escaped text of the hostile alert
		if m := inline.FindString(text); m != "" {
			t.Errorf("%s: inline %q", name, m)
		}
		if m := elsewhere.FindString(body); m != "" {
			t.Errorf("%s: refers to another host: %q", name, m)
		}
	}
}

// What every page needs to be read by anyone: language, title, landmarks, one heading of the first order,
// names of tables and their heads, a label for every field.
func TestPagesAreBuiltForEveryReader(t *testing.T) {
	s := open(t, market(), marketBook(t))
	seen := map[string]string{}
	for name, path := range everyPage() {
		_, body := s.get(t, path)
		for _, want := range []string{`<html lang="en">`, "<title>", "<main id=\"main\"", "<nav aria-label=", "<header", "<footer", `class="skip" href="#main"`} {
			if !strings.Contains(body, want) {
				t.Errorf("%s: no %s", name, want)
			}
		}
		if n := strings.Count(body, "<h1"); n != 1 {
			t.Errorf("%s: %d headings of the first order, want 1", name, n)
		}
		if a, b := strings.Count(body, "<table"), strings.Count(body, "<caption"); a != b {
			t.Errorf("%s: %d tables and %d captions", name, a, b)
		}
		if m := regexp.MustCompile(`<th(?: [^>]*)?>`).FindAllString(body, -1); len(m) > 0 {
			for _, th := range m {
				if !strings.Contains(th, "scope=") {
					t.Errorf("%s: a head without scope: %s", name, th)
				}
			}
		}
		for _, m := range regexp.MustCompile(`<(?:input|textarea|select) id="([^"]+)"`).FindAllStringSubmatch(body, -1) {
			if !strings.Contains(body, `<label for="`+m[1]+`"`) {
				t.Errorf("%s: field %s has no label", name, m[1])
			}
		}
		ids := map[string]bool{}
		for _, m := range regexp.MustCompile(`\sid="([^"]+)"`).FindAllStringSubmatch(body, -1) {
			if ids[m[1]] {
				t.Errorf("%s: two elements have the id %q", name, m[1])
			}
			ids[m[1]] = true
		}
		title := regexp.MustCompile(`<title>([^<]*)`).FindStringSubmatch(body)[1]
		if other, ok := seen[title]; ok && name != "unit-silent" {
			t.Errorf("%s and %s have the same title %q", name, other, title)
		}
		seen[title] = name
	}
}

func TestHeadersKeepPagesToThemselves(t *testing.T) {
	s := open(t, market(), marketBook(t))
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.Host = "localhost:8080"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	policy := w.Header().Get("Content-Security-Policy")
	if !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "http") {
		t.Errorf("Content-Security-Policy: %s", policy)
	}
	for k, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "no-cache, private"} {
		if got := w.Header().Get(k); got != want {
			t.Errorf("%s: %q, want %q", k, got, want)
		}
	}
	for host, want := range map[string]int{
		"127.0.0.1:80": 200, "[::1]:8080": 200, "LOCALHOST": 200, "evil.example": 421, "evil.example:8080": 421, "127.0.0.1.evil.example": 421, "": 421,
	} {
		r := httptest.NewRequest(http.MethodGet, "/livez", nil)
		r.Host = host
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("asked as %q: status %d, want %d", host, w.Code, want)
		}
	}
}

// The table, the interactive chart and the file show one set of numbers.
func TestTableChartAndFileAgree(t *testing.T) {
	s := open(t, market(), marketBook(t))
	path := seriesURL("217", "7e8", "m3b.tc0")
	var chart struct {
		Unit, Zone string
		Points     []struct {
			At                time.Time
			Value, Max, Score *float64
			Min               *float64
			Baseline          *float64
		}
		Crossing struct{ P10, P90 *time.Time }
	}
	if err := json.Unmarshal([]byte(s.must(t, path+"/points.json")), &chart); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(s.must(t, path+"/readings.csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cells := regexp.MustCompile(`(?s)<time datetime="([^"]+)"[^>]*>[^<]*</time></th><td class="n">([^<]*)</td><td class="n">([^<]*)</td><td class="n">([^<]*)</td>`).
		FindAllStringSubmatch(s.must(t, path), -1)
	if len(chart.Points) != 180 || len(rows) != 181 || len(cells) != 180 {
		t.Fatalf("%d points, %d lines, %d rows: want 180, 181, 180", len(chart.Points), len(rows), len(cells))
	}
	for i, p := range chart.Points {
		line, row := rows[i+1], cells[len(cells)-1-i]
		if v, _ := strconv.ParseFloat(line[6], 64); v != *p.Value {
			t.Fatalf("point %d: chart %v, file %s", i, *p.Value, line[6])
		}
		if row[2] != figure(*p.Value) || row[4] != figure(*p.Max) || row[3] != "–" || p.Min != nil {
			t.Fatalf("point %d: chart %v of at most %v, table %v", i, *p.Value, *p.Max, row[2:])
		}
		if want := p.At.UTC().Format(time.RFC3339); row[1] != want || line[0] != want {
			t.Fatalf("point %d: at %s, table %s, file %s", i, want, row[1], line[0])
		}
	}
	if chart.Unit != "Pa" || chart.Zone != "America/Chicago" || !chart.Crossing.P10.Equal(at(6)) {
		t.Errorf("chart: unit %s, zone %s, early end %v", chart.Unit, chart.Zone, chart.Crossing.P10)
	}
}

func TestFilesRunNoFormulas(t *testing.T) {
	y := newYard()
	y.enrol("=1+1", "", "")
	y.runs("=1+1", cat)
	body := open(t, y, empty(t)).must(t, seriesURL("=1+1", "7e8", "m21.t89")+"/readings.csv")
	if strings.Contains(body, ",=1+1") || !strings.Contains(body, ",'=1+1,") {
		t.Error("a unit's name would run as a formula in a spreadsheet")
	}
}

func TestErrorsAreSafeWords(t *testing.T) {
	b := marketBook(t)
	s := open(t, market(), b)
	for _, path := range []string{"/units/999", seriesURL("217", "7e8", "m99.t99"), "/alerts/none", "/orders/none", "/nothing/here"} {
		if code, body := s.get(t, path); code != http.StatusNotFound || !strings.Contains(body, "Not found") {
			t.Errorf("%s: status %d", path, code)
		}
	}
	s = open(t, market(), b)
	s.yard.broken = errDisk
	for _, path := range []string{"/units/217", seriesURL("217", "7e8", "m3b.tc0"), "/alerts/a-217"} {
		code, body := s.get(t, path)
		if code != http.StatusInternalServerError || !strings.Contains(body, "Reference <code>") || strings.Contains(body, "secret") {
			t.Errorf("%s: status %d, and it must give a reference and no inside matter", path, code)
		}
	}
	if body := s.must(t, "/"); !strings.Contains(body, "trend not available") || !strings.Contains(body, ">408<") {
		t.Error("Today must keep its rows when a trend cannot be drawn")
	}
	s.pulse.err = errDisk
	if code, _ := s.get(t, "/readyz"); code != http.StatusServiceUnavailable {
		t.Errorf("/readyz while not ready: %d", code)
	}
	if code, _ := s.get(t, "/livez"); code != http.StatusOK {
		t.Errorf("/livez: %d", code)
	}
	if body := s.must(t, "/"); !strings.Contains(body, "Not the whole picture yet") {
		t.Error("a page made before the service is ready must say so")
	}
}

func TestTracesAreKeptUntilTheNextReport(t *testing.T) {
	s := open(t, market(), marketBook(t))
	s.must(t, "/units/217")
	s.must(t, seriesURL("217", "7e8", "m3b.tc0"))
	if n := s.yard.refolds.Load(); n != 1 {
		t.Errorf("%d refolds for two pages of one unit, want 1", n)
	}
	s.yard.polls["217"] = today
	s.must(t, "/units/217")
	if n := s.yard.refolds.Load(); n != 2 {
		t.Errorf("%d refolds after a new report, want 2", n)
	}
	s.Changed("408", "217") // a late report: the newest one stays the same
	s.must(t, "/units/217")
	if n := s.yard.refolds.Load(); n != 3 {
		t.Errorf("%d refolds after a late report, want 3", n)
	}
	s.Changed()
	s.must(t, "/units/217")
	if n := s.yard.refolds.Load(); n != 4 {
		t.Errorf("%d refolds after the roster changed, want 4", n)
	}
}

func TestWithoutTheBundle(t *testing.T) {
	s := open(t, market(), marketBook(t))
	bare, err := loadAssets(pageFiles, fstest.MapFS{".keep": {}})
	if err != nil {
		t.Fatal(err)
	}
	s.assets = bare
	body := s.must(t, seriesURL("217", "7e8", "m3b.tc0"))
	for _, want := range []string{"UI bundle not built: run make web", `<svg class="chart"`, `id="numbers"`} {
		if !strings.Contains(body, want) {
			t.Errorf("without the bundle the page lacks %q", want)
		}
	}
	if strings.Contains(body, "<script") {
		t.Error("without the bundle the page still asks for it")
	}
}

func TestStaticFilesMayBeKept(t *testing.T) {
	s := open(t, market(), marketBook(t))
	r := httptest.NewRequest(http.MethodGet, s.assets.style, nil)
	r.Host = "localhost"
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if w.Code != 200 || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/css") {
		t.Errorf("style sheet: %d %v", w.Code, w.Header())
	}
	if code, _ := s.get(t, "/static/../server.go"); code == http.StatusOK {
		t.Error("a file outside the bundle was served")
	}
}

// Of a unit that fell silent, and of a test that no longer runs, nothing good is said in the present tense.
func TestOldNewsIsNotSaidOfToday(t *testing.T) {
	s := open(t, market(), marketBook(t))
	for path, old := range map[string]bool{"/units/305": true, seriesURL("305", "7e8", "m31.t95"): true, "/units/202": false} {
		body := s.must(t, path)
		if got := strings.Contains(body, "no sign of drift when it last ran; nothing is known of it since"); got != old {
			t.Errorf("%s: said as of the past: %v", path, got)
		}
		if strings.Contains(strings.ToLower(body), "is healthy") {
			t.Errorf("%s says that something is healthy", path)
		}
	}
	list := s.must(t, "/units?is=silent")
	if !strings.Contains(list, "97 % then") {
		t.Error("the list of units gives the margin of a silent unit as if it were of today")
	}
}
