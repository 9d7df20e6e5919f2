package dashboards

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"marginline/alerts"
	"marginline/alerts/schedule"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// A bookFloor is the shop floor over a real book, a roster and a shop file.
type bookFloor struct {
	bookReview
	factsOf
	yard *yard
	file *shop.File
}

const marketFile = `depots:
  - name: Tannery Row
    time_zone: America/Chicago
    bays: [{name: "1", kinds: [lift, vapour_safe]}, {name: "2", kinds: [lift]}]
    open: {mon: 9, tue: 9, wed: 9, thu: 9, fri: 9}
    technicians: [{name: Wes, skills: [evap, engine, exhaust]}, {name: Marisol, skills: [engine, exhaust]}]
  - name: Saltgate
    time_zone: America/Los_Angeles
    bays: [{name: "1", kinds: [lift, vapour_safe]}, {name: "2", kinds: [lift]}]
    open: {mon: 8, tue: 8, wed: 8, thu: 8, fri: 8}
    technicians: [{name: Orrin, skills: [evap, engine, exhaust, aftertreatment]}]
`

func (f bookFloor) desk(ctx context.Context, days int) (*alerts.Desk, error) {
	d := &alerts.Desk{Now: today, Days: days, File: f.file, Facts: func(unit string) []shop.Fact { return f.factsOf[unit] },
		Usage: func(string) alerts.Usage { return alerts.Usage{} }}
	for _, u := range f.yard.roster {
		if !slices.ContainsFunc(d.Units, func(x fleet.Unit) bool { return x.Unit == u.Unit }) {
			d.Units = append(d.Units, *u)
		}
	}
	var err error
	if d.Alerts, err = f.book.List(ctx, false); err != nil {
		return nil, err
	}
	d.Orders, err = f.book.Orders(ctx)
	return d, err
}

func (f bookFloor) Plan(ctx context.Context, days int, _ *shop.File) (*schedule.Plan, error) {
	d, err := f.desk(ctx, days)
	if err != nil {
		return nil, err
	}
	return d.Plan()
}
func (f bookFloor) Accept(ctx context.Context, job, who string) (*alerts.WorkOrder, error) {
	p, err := f.Plan(ctx, 84, nil)
	if err != nil {
		return nil, err
	}
	for _, v := range p.Visits {
		if v.Job == job {
			return f.Move(ctx, job, v.Day, who, "accepted")
		}
	}
	return nil, alerts.ErrNotFound
}
func (f bookFloor) Try(ctx context.Context, job string, day shop.Day, who, why string) (*schedule.Trial, error) {
	d, err := f.desk(ctx, 84)
	if err != nil {
		return nil, err
	}
	return schedule.Try(d.Schedule(), schedule.Fixed{ID: job, Day: day, Who: who, Why: why})
}
func (f bookFloor) Move(ctx context.Context, job string, day shop.Day, who, why string) (*alerts.WorkOrder, error) {
	if strings.HasPrefix(job, "a-") {
		o, err := f.book.Order(ctx, job, who, today)
		if err != nil {
			return nil, err
		}
		job = o.ID
	}
	return f.book.Step(ctx, job, alerts.StepSchedule, alerts.StepNote{Who: who, Why: why, Slot: &alerts.Slot{Day: day}})
}
func (f bookFloor) Order(ctx context.Context, id string) (*alerts.WorkOrder, []alerts.OrderEntry, error) {
	o, err := f.book.OrderByID(ctx, id)
	if err != nil {
		return nil, nil, err
	}
	h, err := f.book.OrderHistory(ctx, o.ID)
	return o, h, err
}
func (f bookFloor) Step(ctx context.Context, id string, st alerts.Step, n alerts.StepNote) (*alerts.WorkOrder, error) {
	return f.book.Step(ctx, id, st, n)
}
func (f bookFloor) Finish(ctx context.Context, id string, out alerts.Outcome) (*alerts.WorkOrder, error) {
	return f.book.Finish(ctx, id, out)
}
func (f bookFloor) TakeFact(_ context.Context, x shop.Fact) (shop.Fact, error) { return x, nil }
func (f bookFloor) ShopFile(context.Context) (string, int, error)              { return marketFile, 1, nil }
func (f bookFloor) Install(context.Context, string, string) (*shop.File, error) {
	return nil, errors.New("no shop file here")
}

// withFloor is a site that has the pages of the shop too.
func withFloor(t *testing.T, y *yard, b *alerts.Book) *site {
	t.Helper()
	s := open(t, y, b)
	deps := s.deps
	file, err := shop.ReadFile(strings.NewReader(marketFile))
	if err != nil {
		t.Fatal(err)
	}
	deps.Floor = bookFloor{bookReview{b}, shopFloor, y, file}
	whole, err := New(s.cfg, deps, quiet())
	if err != nil {
		t.Fatal(err)
	}
	s.Server = whole
	return s
}

// press clicks and waits until the page that follows has something.
func (b *tab) press(t *testing.T, what, follows string) {
	t.Helper()
	eval[bool](t, b, "(document.querySelector("+asJSON(what)+").click(), true)")
	b.arrives(t, "document.querySelector("+asJSON(follows)+") !== null")
}

// arrives waits until the page that follows is as it should be.
func (b *tab) arrives(t *testing.T, js string) {
	t.Helper()
	for range 400 {
		there, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("document.readyState === 'complete' && Boolean("+js+")"))
		if err == nil && there { // while one page gives way to the next there is nothing to ask
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("the page %q never comes to %s", eval[string](t, b, "document.title + ' ' + document.body.innerText.slice(0, 300)"), js)
}

// The first five minutes of somebody new: open Today, find the most urgent unit, say why, accept its visit,
// print the order, enter the outcome, and see the repair proved by the tests that ran afterwards. The book,
// the proof and the browser are real; the readings are made for this.
func TestFirstFiveMinutes(t *testing.T) {
	y, book := market(), marketBook(t)
	s := withFloor(t, y, book)
	b := browse(t, s)
	b.size(t, 1440, 900, false)
	text := func(js string) string { return eval[string](t, b, js) }

	b.open(t, "/") // the most urgent unit is the first row
	if unit := text(`document.querySelector("#decide ~ .rows .plate").textContent`); !strings.Contains(unit, "408") {
		t.Fatalf("the first row is %q", unit)
	}
	b.press(t, "#decide ~ .rows .reason a", "#why")
	if why := text(`[...document.querySelectorAll("#why ~ p")].map((p) => p.textContent).join(" ")`); strings.Count(why, ". ") < 2 ||
		!strings.Contains(why, "What was normal") || !strings.Contains(why, "What follows") {
		t.Errorf("why it was raised: %q", why)
	}

	b.do(t, chromedp.SendKeys(chromedp.CSS("#who-order"), "Odalys"))
	b.press(t, `form[action$="/order"] button`, "#order-no")
	id := text(`document.getElementById("order-no").textContent`)
	pdf := ask(t, b, chromedp.PrintToPDF(func(p *page.PrintToPDFParams) { p.PaperWidth, p.PaperHeight = 8.27, 11.69 }))
	if n := len(pdfPage.FindAll(pdf, -1)); n < 1 || n > 2 || text(`document.querySelector(".paper h2").textContent`) != "Safety first" {
		t.Errorf("the order prints on %d sheets", n)
	}

	for _, st := range []alerts.Step{alerts.StepArrive, alerts.StepStart} { // the unit comes in
		if _, err := book.Step(t.Context(), id, st, alerts.StepNote{Who: "Priya"}); err != nil {
			t.Fatal(err)
		}
	}
	b.script(t, false) // the form works without the script; with it the outcome waits on the phone
	b.open(t, "/orders/"+id+"/outcome")
	b.script(t, true)
	b.do(t, chromedp.Click(chromedp.CSS(`input[name="found"][value="found"]`)), chromedp.Click(chromedp.CSS(`input[name="codes_cleared"][value="no"]`)),
		chromedp.Click(chromedp.CSS(`input[name="reprogrammed"][value="no"]`)),
		chromedp.SendKeys(chromedp.CSS("#cause"), "doser clogged"), chromedp.SendKeys(chromedp.CSS("#correction"), "doser cleaned"),
		chromedp.SendKeys(chromedp.CSS("#hours"), "1.5"), chromedp.SendKeys(chromedp.CSS("#who"), "Wes"))
	b.press(t, "form.outcome button.first", "#order-no")

	// Its test runs again after the visit, day after day as it did when it was healthy.
	key := series.Key{Unit: "408", ECU: "00", Test: "s3242.f16.t247"}
	tr := y.traces["408"][key]
	last := tr.Points[len(tr.Points)-1]
	for d := range 20 {
		p := last
		p.At, p.Value, p.Score, p.Z = today.AddDate(0, 0, d+1), last.Baseline, 0, 0
		p.Margin = 1 - p.Min/p.Value
		tr.Points = append(tr.Points, p)
	}
	now := today.AddDate(0, 0, 21)
	y.polls["408"] = now
	o, err := book.OrderByID(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	v := alerts.Prove(alerts.Repair{At: o.Last().At, Tests: o.Tests(), Courses: map[series.Key]*analyze.Trace{key: tr}, Unit: "408", Newest: now, Now: now, Names: words}, o.FamilyOf, nil)
	if o, err = book.Judge(t.Context(), id, v); err != nil {
		t.Fatal(err)
	}
	s.Changed("408")
	b.open(t, "/orders/"+id)
	if said := text(`document.body.innerText.toLowerCase()`); o.State != alerts.OrderClosed || !strings.Contains(said, "recovered") && !strings.Contains(said, "proved") {
		t.Errorf("the repair is %s (%+v), and the order does not say that it is proved", o.State, v)
	}
	b.open(t, "/units/408")
	if said := text(`document.getElementById("uorders").parentElement.innerText`); !strings.Contains(said, "closed") {
		t.Errorf("the unit's page says of its order: %q", said)
	}
}

// TestScreens makes the pictures of the pages in docs/ when SCREENS names a folder (make screens): each page as
// it opens on a desk, Today and a unit on a phone and in the dark. Without a folder it makes them in one of its own
// and only looks that none is empty.
func TestScreens(t *testing.T) {
	dir := os.Getenv("SCREENS")
	if dir == "" {
		dir = t.TempDir()
	}
	y, book := market(), marketBook(t)
	y.roster = slices.DeleteFunc(y.roster, func(u *fleet.Unit) bool { return u.Unit == hostile })
	delete(y.polls, hostile)
	if _, err := book.Sync(t.Context(), hostile, nil); err != nil { // its alert is withdrawn
		t.Fatal(err)
	}
	s := withFloor(t, y, book)
	o, err := s.book.Order(t.Context(), "a-217", "Ilvane Holt", today)
	if err != nil {
		t.Fatal(err)
	}
	b := browse(t, s)
	keep := func(b *tab, name, path string, w, h int64, dark bool) {
		b.size(t, w, h, dark)
		b.open(t, path)
		b.settled(t)
		time.Sleep(150 * time.Millisecond) // the drawing's own animation
		picture := ask(t, b, chromedp.CaptureScreenshot())
		if len(picture) < 5_000 || len(picture) > 400_000 {
			t.Errorf("%s: a picture of %d bytes", name, len(picture))
		}
		if err := os.WriteFile(filepath.Join(dir, name+".png"), picture, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	pages := everyPage()
	for _, again := range []string{"unit-silent", "series-min", "series-epoch"} {
		delete(pages, again)
	}
	pages["order"], pages["outcome"], pages["plan"], pages["shop"], pages["review"] = "/orders/"+o.ID, "/orders/"+o.ID+"/outcome", "/plan", "/shop", "/review"
	for name, path := range pages {
		keep(b, name, path, 1200, 860, false)
	}
	keep(b, "today-phone", "/", 360, 740, false)
	keep(b, "unit-phone", "/units/217", 360, 740, false)
	keep(b, "outcome-phone", "/orders/"+o.ID+"/outcome", 360, 740, false)
	keep(b, "today-dark", "/", 1200, 860, true)
	keep(b, "series-dark", pages["series"], 1200, 860, true)
	whole, more := wholeSite(t)
	keep(browse(t, whole), "delivery", more["delivery"], 1200, 860, false)
	elsewhere(t, func(b *tab, pages map[string]string) {
		for name, path := range pages {
			if name != "today-signed" {
				keep(b, name, path, 1200, 860, false)
			}
		}
	})
}
