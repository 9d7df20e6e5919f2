package dashboards

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"marginline/sql"
)

// An analystOf runs queries in real workers over a roster of invented units; the lake is empty.
type analystOf struct{ *sql.Engine }

func (a analystOf) Rows(ctx context.Context, r sql.Request, _ string, to sql.Sink) (sql.Summary, error) {
	return a.Engine.Rows(ctx, a, r, to)
}

func (a analystOf) Write(ctx context.Context, r sql.Request, _, form string, w io.Writer) (sql.Summary, error) {
	return a.Engine.Write(ctx, a, r, form, w)
}

func (a analystOf) Pin(context.Context, []string) (sql.Snapshot, error) { return a, nil }
func (a analystOf) Tables() []sql.Table                                 { return nil }
func (a analystOf) Release()                                            {}

func (a analystOf) Small(_ context.Context, name string) (sql.Rows, error) {
	return sql.Rows{Columns: []string{"unit", "depot"}, Rows: func(yield func([]any) bool) {
		for i := range 3 {
			if name != "units" || !yield([]any{fmt.Sprint(201 + i), "<b>Saltgate</b>"}) {
				return
			}
		}
	}}, nil
}

// analysts are an engine and a shelf of queries.
func analysts(t *testing.T) (analystOf, *sql.Shelf) {
	t.Helper()
	c := sql.DefaultConfig()
	c.TempDir, c.Timeout = t.TempDir(), 20*time.Second
	e, err := sql.Open(c, quiet())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	_, db := shelve(t)
	shelf, err := sql.OpenShelf(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	return analystOf{e}, shelf
}

// openSQL is a site with a page for SQL.
func openSQL(t *testing.T) *site {
	t.Helper()
	s := open(t, newYard(), empty(t))
	s.deps.SQL, s.deps.Shelf = analysts(t)
	s.routes = s.secure(http.NewCrossOriginProtection().Handler(s.mux()))
	return s
}

func sqlURL(query string, more ...string) string {
	v := url.Values{"q": {query}, "run": {"1"}}
	for i := 0; i+1 < len(more); i += 2 {
		v.Set(more[i], more[i+1])
	}
	return "/sql?" + v.Encode()
}

func TestSQLPage_AnswersWithoutScript(t *testing.T) {
	s := openSQL(t)
	for _, test := range []struct{ path, want string }{
		{"/sql", "useless_series(least := 20)"},
		{"/sql?q=select+1", "select 1</textarea>"}, // not run until asked
		{sqlURL("select unit, depot from units order by 1"), "3 rows, all shown."},
		{sqlURL("select unit, depot from units order by 1"), "<td>&lt;b&gt;Saltgate&lt;/b&gt;</td>"},
		{sqlURL("select unit from units where unit = $unit", "p.unit", "202"), "1 row, all shown."},
		{sqlURL("select unit from units where unit = $unit", "p.unit", "202"), `<input name="p.unit" value="202"`},
		{sqlURL("select unit from units where false"), "No rows: nothing in the history meets the conditions"},
		{sqlURL("select i from range(500) t(i)"), "500 rows; the first 200 are shown, a download has them all"},
		{sqlURL("select i from range(5000) t(i)"), "More than 1000 rows; the first 200 are shown"},
		{sqlURL("select i, i * i as square from range(50) t(i)"), `<svg class="sqlchart"`},
		{sqlURL("select unit, 5 as n from units"), `<rect class="bar"`},
		{"/help/columns", `<h2 id="readings"><code>readings</code></h2>`},
		{"/help/columns", "distance to the limit: 1 = as far as can be"},
		{"/help/columns", "<code>why(which, days := 60)</code>"},
	} {
		if body := s.must(t, test.path); !strings.Contains(body, test.want) {
			t.Errorf("%s: no %q in\n%s", test.path, test.want, body)
		}
	}
	if body := s.must(t, "/sql?q=select+1"); strings.Contains(body, "all shown") {
		t.Error("a query that was not sent ran")
	}
	code, body := s.get(t, sqlURL("select unit\nfrom unitz"))
	if code != http.StatusUnprocessableEntity || !strings.Contains(body, "LINE 2: from unitz\n             ^") || !strings.Contains(body, "there is no view") {
		t.Errorf("%d %s", code, body)
	}
	if !strings.Contains(body, "select unit\nfrom unitz</textarea>") {
		t.Error("the query is gone with its error")
	}
}

func TestSQLPage_KeepsQueries(t *testing.T) {
	s := openSQL(t)
	keep := url.Values{"name": {"units of a depot"}, "about": {"who is there"}, "q": {"select unit from units where depot = $depot"}}
	if w := s.post("/sql/saved", keep.Encode(), nil); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/sql?saved=units+of+a+depot" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	body := s.must(t, "/sql?saved=units+of+a+depot")
	for _, want := range []string{"where depot = $depot</textarea>", `<input name="p.depot"`, "who is there"} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q in %s", want, body)
		}
	}
	if w := s.post("/sql/saved", "name=&q=select+1", nil); w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "needs a name") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := s.post("/sql/saved", keep.Encode(), map[string]string{"Sec-Fetch-Site": "cross-site"}); w.Code != http.StatusForbidden {
		t.Errorf("another site keeps a query: %d", w.Code)
	}
	s.post("/sql/saved", "name=units+of+a+depot&delete=1", nil)
	if code, _ := s.get(t, "/sql?saved=units+of+a+depot"); code != http.StatusNotFound {
		t.Errorf("deleted, and still there: %d", code)
	}
}

func TestSQLAnswer_EveryForm(t *testing.T) {
	s := openSQL(t)
	q := "?" + url.Values{"q": {"select unit from units order by 1"}}.Encode()
	if body := s.must(t, "/sql/answer/csv"+q); body != "unit\r\n201\r\n202\r\n203\r\n" {
		t.Errorf("csv %q", body)
	}
	if body := s.must(t, "/sql/answer/json"+q); strings.Count(body, `{"unit":`) != 3 {
		t.Errorf("json %q", body)
	}
	if body := s.must(t, "/sql/answer/parquet"+q); !strings.HasPrefix(body, "PAR1") || !strings.HasSuffix(body, "PAR1") {
		t.Errorf("parquet %q", body)
	}
	if body := s.must(t, "/sql/answer/arrow"+q); !strings.HasPrefix(body, "\xff\xff\xff\xff") {
		t.Errorf("arrow %q", body)
	}
	if w := s.post("/sql/answer/csv?p.n=7", "select $n as n", map[string]string{"Content-Type": "text/plain"}); w.Body.String() != "n\r\n7\r\n" || w.Header().Get("Content-Type") != "text/csv; charset=utf-8" {
		t.Errorf("posted: %d %q", w.Code, w.Body)
	}
	code, body := s.get(t, "/sql/answer/csv?q=select+*+from+read_text('/etc/passwd')")
	if code != http.StatusUnprocessableEntity || !strings.Contains(body, "read_text is not allowed") {
		t.Errorf("%d %s", code, body)
	}
	if code, _ := s.get(t, "/sql/answer/xml"+q); code != http.StatusNotFound {
		t.Errorf("xml: %d", code)
	}
}

func TestSQLPage_InTheBrowser(t *testing.T) {
	s := openSQL(t)
	b := browse(t, s)
	for _, width := range []int64{360, 1440} {
		for name, path := range map[string]string{"sql": "/sql", "sql-answer": sqlURL("select i, i * i as square, 'a long text that does not fit on a narrow screen at all' as words from range(30) t(i)"), "columns": "/help/columns"} {
			b.size(t, width, 900, false)
			b.open(t, path)
			if wide := eval[int64](t, b, "document.documentElement.scrollWidth"); wide > width {
				t.Errorf("%s: %d px wide in a window of %d", path, wide, width)
			}
			b.shot(t, fmt.Sprintf("%s-%d", name, width))
		}
	}
	b.open(t, "/sql")
	enter := func(query string) {
		b.do(t, chromedp.SetValue("#q", query))
	}
	b.until(t, `document.querySelector("form[data-sql]") !== null && document.querySelector("[data-progress]") !== null`)
	enter("select unit from units")
	b.do(t, chromedp.Click("button[name=run]"))
	b.until(t, `document.querySelector("#rows-said")?.textContent.includes("3 rows, all shown")`)
	if got := eval[string](t, b, "location.search"); !strings.Contains(got, "run=1") {
		t.Errorf("the address cannot be shared: %s", got)
	}
	// A query that never ends, cancelled: the page says so, and its turn is free again.
	enter("with recursive n as (select 1 as i union all select i + 1 from n) select max(i) from n")
	b.do(t, chromedp.Click("button[name=run]"))
	b.until(t, `/Running, [1-9]/.test(document.querySelector("[data-progress]").textContent)`)
	if running, _ := s.deps.SQL.Load(); running != 1 {
		t.Errorf("%d queries run", running)
	}
	b.do(t, chromedp.Click("[data-cancel]"))
	b.until(t, `document.querySelector("[data-progress]").textContent.includes("Cancelled")`)
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if running, _ := s.deps.SQL.Load(); running == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the cancelled query still runs")
		}
	}
	enter("select unit from nowhere")
	b.do(t, chromedp.Click("button[name=run]"))
	b.until(t, `document.querySelector(".sqlerror")?.textContent.includes("LINE 1")`)
	for _, c := range b.complaints() {
		if !strings.Contains(c, "422") { // the browser notes every status that is not 2xx
			t.Error(c)
		}
	}
}
