package dashboards

import (
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"marginline/alerts"
)

// on is whether what a selector names has the focus.
func on(css string) string { return "document.activeElement.matches(" + asJSON(css) + ")" }

// keys goes to what a selector names by Tab alone and types there.
func (b *tab) keys(t *testing.T, css, text string) {
	t.Helper()
	b.tabTo(t, on(css))
	b.do(t, chromedp.KeyEvent(text))
}

// The analyst's day without a mouse: find a unit, open its worst series, look closer, add what was around it, ask in SQL and
// take the answer away as a file.
func TestAnalystWithKeysAlone(t *testing.T) {
	s := withFloor(t, market(), marketBook(t))
	deps := s.deps
	deps.SQL, deps.Shelf = analysts(t)
	var err error
	if s.Server, err = New(s.cfg, deps, quiet()); err != nil {
		t.Fatal(err)
	}
	b := browse(t, s)
	for _, width := range []int64{360, 768, 1440} {
		folder := t.TempDir()
		if _, err := chromedp.Call(b.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, DownloadPath: folder}); err != nil {
			t.Fatal(err)
		}
		b.size(t, width, 800, false)
		b.open(t, "/")
		b.keys(t, ".find input", "217"+kb.Enter)
		b.arrives(t, `location.pathname === "/units/217"`)
		b.keys(t, ".trends tbody th a", kb.Enter)
		b.arrives(t, `location.pathname.startsWith("/series/217/") && document.querySelector("[data-drawn]") !== null`)
		b.keys(t, `input[name="with"]`, " ")
		b.until(t, `location.search.includes("with=")`)
		b.keys(t, ".zoom button", kb.Enter)
		b.until(t, `location.search.includes("from=") && document.getElementById("readings-of").innerText.includes("in the stretch shown")`)
		b.keys(t, `a[href*="readings.csv"]`, kb.Enter)
		if got := b.file(t, folder, ".csv"); strings.Count(got, "\n") < 100 {
			t.Errorf("at %d px the readings have %d lines", width, strings.Count(got, "\n"))
		}
		b.open(t, "/fleet") // wherever the analyst is, the page of SQL is a few keys away
		b.keys(t, `.top nav a[href="/sql"]`, kb.Enter)
		b.arrives(t, `location.pathname === "/sql"`)
		b.keys(t, "#q", "select count(*) as n, min(unit) as first from units")
		b.do(t, chromedp.KeyEvent(kb.Enter, chromedp.KeyModifiers(chromedp.ModifierCtrl)))
		b.until(t, `document.querySelector(".sqltable") !== null`)
		if got := eval[string](t, b, `document.querySelector(".sqltable tbody").innerText.replace(/\s+/g, " ").trim()`); got != "3 201" {
			t.Errorf("at %d px the answer is %q", width, got)
		}
		b.keys(t, `#answer a[download][href*="csv"]`, kb.Enter)
		if got := b.file(t, folder, ".csv"); strings.TrimSpace(strings.ReplaceAll(got, "\r", "")) != "n,first\n3,201" {
			t.Errorf("at %d px the file has %q", width, got)
		}
	}
	b.calm(t)
}

// The shop's day without a mouse: from the list of orders to the sheet, the steps of the visit, and the outcome.
func TestShopWithKeysAlone(t *testing.T) {
	book := marketBook(t)
	s := withFloor(t, market(), book)
	b := browse(t, s)
	for width, alertID := range map[int64]string{360: "a-217", 768: "a-214", 1440: "a-408"} {
		o, err := book.Order(t.Context(), alertID, "Ilvane Holt", today)
		if err != nil {
			t.Fatal(err)
		}
		b.size(t, width, 800, false)
		b.open(t, "/orders")
		b.keys(t, `a[href="/orders/`+url.PathEscape(o.ID)+`"]`, kb.Enter)
		b.arrives(t, `document.getElementById("order-no") !== null`)
		for _, st := range []struct {
			word string
			then alerts.OrderState
		}{{string(alerts.StepArrive), alerts.OrderArrived}, {string(alerts.StepStart), alerts.OrderInProgress}} {
			b.tabTo(t, on("#step"))
			for range 12 { // the arrows go through the steps
				if eval[string](t, b, `document.getElementById("step").value`) == st.word {
					break
				}
				b.do(t, chromedp.KeyEvent(kb.ArrowDown))
			}
			b.keys(t, ".decisions #who", "Wes"+kb.Enter)
			b.arrives(t, `document.getElementById("order-no") !== null && !document.querySelector(".fault") && ![...document.getElementById("step").options].some((o) => o.value === `+asJSON(st.word)+`)`)
			if now, err := book.OrderByID(t.Context(), o.ID); err != nil || now.State != st.then {
				t.Fatalf("at %d px after %s the order is %v %v", width, st.word, now.State, err)
			}
		}
		b.script(t, false) // the form works without the script; with it the outcome waits on the phone (outcome_offline_test.go of main)
		b.keys(t, `a[href$="/outcome"]`, kb.Enter)
		b.arrives(t, `location.pathname.endsWith("/outcome") && document.querySelector("form.outcome") !== null`)
		b.script(t, true)
		b.keys(t, `input[name="found"]`, " ")
		b.keys(t, "#cause", "cracked hose")
		b.keys(t, "#correction", "hose renewed")
		b.keys(t, `input[name="codes_cleared"]`, " ")
		b.keys(t, `input[name="reprogrammed"]`, " ")
		b.keys(t, "#hours", "1.5")
		b.keys(t, ".outcome #who", "Wes"+kb.Enter)
		b.arrives(t, `document.getElementById("order-no") !== null`)
		done, err := book.OrderByID(t.Context(), o.ID)
		if err != nil {
			t.Fatal(err)
		}
		if got := done.Last(); got == nil || got.Found != alerts.FoundCause || got.Cause != "cracked hose" || got.Who != "Wes" || got.CodesCleared == nil || *got.CodesCleared {
			t.Errorf("at %d px the outcome is %+v", width, got)
		}
	}
	b.calm(t)
}

// file waits for a download into the folder, takes it away and gives its text.
func (b *tab) file(t *testing.T, folder, end string) string {
	t.Helper()
	for range 200 {
		names, err := filepath.Glob(filepath.Join(folder, "*"+end))
		if err != nil {
			t.Fatal(err)
		}
		if len(names) > 0 {
			text, err := os.ReadFile(names[0])
			if err == nil && len(text) > 0 {
				if err := os.Remove(names[0]); err != nil {
					t.Fatal(err)
				}
				return string(text)
			}
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("no file ending in %s came", end)
	return ""
}
