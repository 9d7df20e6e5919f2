package dashboards

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/xuri/excelize/v2"

	"marginline/alerts"
	"marginline/alerts/delivery"
)

// posted is a real outbox as the page sees it.
type posted struct{ *delivery.Outbox }

func (p posted) Receivers(ctx context.Context) ([]delivery.Receiver, error) {
	return p.Outbox.Receivers(ctx, 8)
}

func (p posted) TestDelivery(ctx context.Context, target, who string) (delivery.Sent, error) {
	s, err := p.Try(ctx, target, who)
	if errors.Is(err, delivery.ErrNoTarget) {
		err = alerts.ErrNotFound
	}
	return s, err
}

// The page tests each way without JavaScript, says in words what came of it, and axe has nothing against it.
func TestDeliveryPage(t *testing.T) {
	source, err := os.ReadFile("web/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("axe-core is needed: run `make web`: %v", err)
	}
	got := 0
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { got++ }))
	defer srv.Close()
	hook, err := delivery.NewWebhook(srv.URL+"/hook?token=secret", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	book, db := shelve(t, marketAlerts()...)
	broken := delivery.Target{Name: "mail desk@fleet.example", Way: delivery.WayMail, Where: "desk@fleet.example", When: "digest daily at 06:30",
		Channel: delivery.Check(func(context.Context) (string, error) { return "", errors.New("mail: the server is away <b>") })}
	box, err := delivery.OpenOutbox(t.Context(), db, []delivery.Target{hook.Target(), broken}, quiet(), nil)
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, market(), book)
	deps := s.deps
	deps.Deliveries = posted{box}
	if s.Server, err = New(s.cfg, deps, quiet()); err != nil {
		t.Fatal(err)
	}
	if w := s.post("/delivery/test", "to=webhook", same); w.Code != http.StatusUnprocessableEntity || got != 0 {
		t.Errorf("sent in nobody's name: %d", w.Code)
	}
	if w := s.post("/delivery/test", "to=nobody&who=Ilvane", same); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("a receiver that is not there: %d", w.Code)
	}
	if w := s.post("/delivery/test", "to=webhook&who=Ilvane", map[string]string{"Sec-Fetch-Site": "cross-site"}); w.Code != http.StatusForbidden || got != 0 {
		t.Errorf("another site sends: %d", w.Code)
	}
	b := browse(t, s)
	b.script(t, false)
	for i, want := range []string{"Arrived: the receiver answered 200 OK", "Did not arrive: mail: the server is away <b>"} {
		b.open(t, "/delivery")
		field := "#who-" + string(rune('0'+i))
		b.do(t, chromedp.SendKeys(chromedp.CSS(field), "Ilvane\r"))
		for range 200 {
			if there, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("document.readyState === 'complete' && document.getElementById('tested') !== null")); err == nil && there {
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		if said := eval[string](t, b, `document.getElementById("tested")?.textContent ?? ""`); !strings.Contains(said, want) {
			t.Errorf("the page says %q, want %q", said, want)
		}
	}
	if got != 1 {
		t.Errorf("%d requests for one test", got)
	}
	b.script(t, true)
	for _, dark := range []bool{false, true} {
		b.open(t, "/delivery")
		eval[bool](t, b, string(source)+"; true")
		for _, width := range []int64{1440, 768, 360} {
			b.size(t, width, 900, dark)
			if faults := axe(t, b); len(faults) > 0 {
				t.Errorf("at %d px, dark %v:\n%s", width, dark, strings.Join(faults, "\n"))
			}
			if eval[bool](t, b, "document.documentElement.scrollWidth > document.documentElement.clientWidth") {
				t.Errorf("at %d px the page is wider than the window", width)
			}
		}
	}
	b.shot(t, "delivery")
	if body := s.must(t, "/delivery"); strings.Contains(body, "secret") {
		t.Error("the page shows the token of an address")
	}
}

// Lists as files: the same rows in both forms, typed, and text is never run.
func TestListsAsFiles(t *testing.T) {
	hostileAlert := alerts.Alert{ID: "a-x", Unit: "217", Tests: []string{"m21.t89"}, Consequence: alerts.Cost, RaisedAt: at(-1), Margin: ptr(0.25), Reason: "=cmd|' /C calc'!A0"}
	book, _ := shelve(t, hostileAlert)
	if _, err := book.Order(t.Context(), "a-x", "@Ilvane", today); err != nil {
		t.Fatal(err)
	}
	s := open(t, market(), book)
	for path, rows := range map[string]int{"/alerts": 1, "/orders": 1, "/units/217/record": 2} {
		csv := s.must(t, path+".csv")
		if n := strings.Count(csv, "\r\n"); n != rows+1 || strings.Contains(csv, ",=cmd") || strings.Contains(csv, ",@") {
			t.Errorf("%s.csv: %d lines\n%s", path, n, csv)
		}
		f, err := excelize.OpenReader(strings.NewReader(s.must(t, path+".xlsx")))
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		all, err := f.GetRows(f.GetSheetList()[0])
		if err != nil || len(all) != rows+1 {
			t.Errorf("%s.xlsx: %d rows %v", path, len(all), err)
		}
		if path == "/alerts" {
			if v, _ := f.GetCellValue("alerts", "O2"); v != "=cmd|' /C calc'!A0" {
				t.Errorf("%q", v)
			}
			if v, _ := f.GetCellFormula("alerts", "O2"); v != "" {
				t.Errorf("a formula: %q", v)
			}
			if v, _ := f.GetCellValue("alerts", "K2"); v != "0.25" {
				t.Errorf("the margin is %q", v)
			}
		}
		f.Close()
	}
}
