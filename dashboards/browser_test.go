package dashboards

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"marginline/alerts"
	"marginline/analyze"
)

// every page of the site with a name for pictures and messages.
func everyPage() map[string]string {
	return map[string]string{
		"today": "/", "units": "/units", "unit": "/units/217", "unit-silent": "/units/305",
		"series": seriesURL("217", "7e8", "m3b.tc0"), "series-min": seriesURL("408", "00", "s3242.f16.t247"),
		"series-epoch": seriesURL("217", "7e8", "m02.t08"), "alerts": "/alerts", "alert": "/alerts/a-217", "alert-surprise": "/alerts/a-312",
		"orders": "/orders", "fleet": "/fleet", "settings": "/settings?set=threshold&to=12", "quarantine": "/quarantine", "held": "/quarantine/7.2", "help": "/help", "missing": "/units/999",
	}
}

func TestEveryPageFitsEveryWidth(t *testing.T) {
	everywhere(t, func(b *tab, pages map[string]string) {
		for name, path := range pages {
			for _, look := range []struct {
				width int64
				dark  bool
			}{{360, false}, {768, false}, {1440, false}, {360, true}, {1440, true}} {
				b.size(t, look.width, 900, look.dark)
				b.open(t, path)
				b.settled(t)
				where := fmt.Sprintf("%s-%d", name, look.width)
				if look.dark {
					where += "-dark"
				}
				wide := eval[struct {
					Page, View int
					Widest     string
				}](t, b, `(() => { const v = document.documentElement; let worst = "", far = v.clientWidth + 0.5;
				for (const e of document.body.querySelectorAll("*")) {
					if (e.closest("svg, .scroll, .sr, .interactive")) continue;
					const r = e.getBoundingClientRect().right;
					if (r > far) { far = r; worst = e.outerHTML.slice(0, 160); }
				}
				return {Page: v.scrollWidth, View: v.clientWidth, Widest: worst}; })()`)
				if wide.Page > wide.View {
					t.Errorf("%s: the page is %d px wide in a window of %d: %s", where, wide.Page, wide.View, wide.Widest)
				}
				b.shot(t, where)
			}
		}
	})
}

// printed makes a work order of an alert and prints it on the paper.
func printed(t *testing.T, b *tab, s *site, alertID string, width, height float64) (order string, pdf []byte) {
	t.Helper()
	o, err := s.book.Order(t.Context(), alertID, "Ilvane Holt", today)
	if err != nil {
		t.Fatal(err)
	}
	b.open(t, "/orders/"+o.ID)
	pdf = ask(t, b, chromedp.PrintToPDF(func(p *page.PrintToPDFParams) {
		p.PaperWidth, p.PaperHeight = width, height
	}))
	if dir := os.Getenv("SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%.0f.pdf", alertID, height*10)), pdf, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return o.ID, pdf
}

var pdfPage = regexp.MustCompile(`/Type\s*/Page[^s]`)

// A work order prints on one or two sheets of A4 or Letter, in black and white, with safety first.
func TestWorkOrderPrintsOnTwoSheets(t *testing.T) {
	second := alerts.Alert{ID: "b-217", Unit: "217", ECU: "7e8", Tests: []string{"m02.t08"}, Family: "o2_sensor", Kind: analyze.Drift, Consequence: alerts.Cost, RaisedAt: at(-3),
		Reason: "The rear oxygen sensor answers more slowly than it did.", Evidence: []alerts.Evidence{{Test: "m02.t08", ECU: "7e8", Name: "rear oxygen sensor, slow response", Kind: analyze.Drift, RaisedAt: at(-3)}}}
	book, _ := shelve(t, append(marketAlerts(), second)...) // a unit with two causes has one order for both
	s := open(t, market(), book)
	b := browse(t, s)
	for _, alertID := range []string{"a-408", "a-214", "a-217", "a-312"} {
		for name, paper := range map[string][2]float64{"A4": {8.27, 11.69}, "Letter": {8.5, 11}} {
			_, pdf := printed(t, b, s, alertID, paper[0], paper[1])
			if n := len(pdfPage.FindAll(pdf, -1)); n < 1 || n > 2 {
				t.Errorf("%s on %s: %d sheets, want one or two", alertID, name, n)
			}
		}
		order := eval[struct {
			Heads     []string
			Ticks     int
			Colour    []string
			Complaint []string
		}](t, b, `(() => { const grey = (c) => { const [r, g, b] = c.match(/[\d.]+/g).map(Number); return Math.max(r, g, b) - Math.min(r, g, b) < 2; };
			return {Heads: [...document.querySelectorAll(".paper h2")].map((h) => h.textContent), Ticks: document.querySelectorAll(".steps .tick").length, Complaint: [...document.querySelectorAll("#complaint ~ p")].map((p) => p.textContent),
				Colour: [...document.querySelectorAll(".paper *")].filter((e) => { const s = getComputedStyle(e); return !grey(s.color) || e.closest("svg") && [s.stroke, s.fill].some((c) => c.startsWith("rgb") && !grey(c)); }).map((e) => e.outerHTML.slice(0, 80))}; })()`)
		if len(order.Heads) < 6 || order.Heads[0] != "Safety first" || order.Ticks < 5 {
			t.Errorf("%s: heads %q with %d boxes to tick", alertID, order.Heads, order.Ticks)
		}
		if len(order.Colour) > 0 {
			t.Errorf("%s: colour on the sheet: %q", alertID, order.Colour)
		}
		if alertID == "a-217" && !strings.Contains(strings.Join(order.Complaint, " "), "Oxygen or air-fuel sensor") {
			t.Errorf("the order of two causes says only %q", order.Complaint)
		}
		b.size(t, 1440, 900, false)
		b.shot(t, "order-"+alertID)
		b.size(t, 360, 900, false)
		b.shot(t, "order-360-"+alertID)
	}
}

// Tab alone reaches every link, button and field of a page, in the order of the page, and whatever has
// the focus is seen to have it.
func TestKeyboardReachesEverything(t *testing.T) {
	everywhere(t, func(b *tab, pages map[string]string) {
		for _, width := range []int64{360, 1440} {
			b.size(t, width, 900, false)
			for name, path := range pages {
				b.open(t, path)
				b.settled(t)
				want := eval[int](t, b, `(() => {
				const all = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")]
					.filter((e) => !e.disabled && !(e.type === "radio" && e !== ([...e.form.elements[e.name]].find((x) => x.checked) ?? e.form.elements[e.name][0])) && // the arrows lead from one choice to the next
						 e.checkVisibility({visibilityProperty: true}) && !(e.closest("details:not([open])") && e.tagName !== "SUMMARY"));
				window.wanted = all; window.reached = new Set(); window.unseen = []; window.backward = 0; document.activeElement.blur(); return all.length; })()`)
				for range want*4 + 20 { // a date field takes several steps
					b.do(t, chromedp.KeyEvent(kb.Tab))
					if eval[bool](t, b, `(() => { const e = document.activeElement; if (e === document.body) return true;
					const prev = window.before; window.before = e;
					if (prev && prev !== e && (prev.compareDocumentPosition(e) & Node.DOCUMENT_POSITION_PRECEDING)) window.backward++;
					const css = getComputedStyle(e); if (!reached.has(e) && (css.outlineStyle === "none" || parseFloat(css.outlineWidth) < 2)) unseen.push(e.outerHTML.slice(0, 80));
					reached.add(e); return wanted.every((w) => reached.has(w)); })()`) {
						break
					}
				}
				got := eval[struct {
					Missed, Unseen []string
					Backward       int
				}](t, b, `({Missed: wanted.filter((e) => !reached.has(e)).map((e) => e.outerHTML.slice(0, 100)), Unseen: unseen, Backward: backward})`)
				if len(got.Missed) > 0 {
					t.Errorf("%s at %d px: Tab does not reach %q", name, width, got.Missed)
				}
				if len(got.Unseen) > 0 {
					t.Errorf("%s at %d px: the focus is not seen on %q", name, width, got.Unseen)
				}
				if got.Backward > 0 {
					t.Errorf("%s at %d px: Tab went backward %d times", name, width, got.Backward)
				}
			}
		}
	})
}

// Text and its ground differ by at least 4.5 to 1, large text by 3 to 1 (WCAG 2.2, 1.4.3), in both schemes.
func TestTextStandsOutFromItsGround(t *testing.T) {
	everywhere(t, func(b *tab, pages map[string]string) {
		for _, dark := range []bool{false, true} {
			b.size(t, 1440, 900, dark)
			for name, path := range pages {
				b.open(t, path)
				b.settled(t)
				faint := eval[[]string](t, b, `(() => {
				const canvas = document.createElement("canvas"); canvas.width = canvas.height = 1;
				const pen = canvas.getContext("2d", {willReadFrequently: true});
				const rgb = (c) => { pen.clearRect(0, 0, 1, 1); pen.fillStyle = c; pen.fillRect(0, 0, 1, 1); return [...pen.getImageData(0, 0, 1, 1).data]; };
				const lum = (c) => { const [r, g, b] = c.slice(0, 3).map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
				const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c[3] > 250) return c; } return [255, 255, 255, 255]; };
				const out = [];
				for (const e of document.body.querySelectorAll("*")) {
					if (![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) || !e.checkVisibility() || e.closest(".sr, .skip, .interactive, option")) continue;
					const css = getComputedStyle(e), a = lum(rgb(e.closest("svg") ? css.fill : css.color)), z = lum(ground(e.closest("svg")?.parentElement ?? e));
					const ratio = (Math.max(a, z) + 0.05) / (Math.min(a, z) + 0.05), px = parseFloat(css.fontSize);
					if (ratio < (px >= 24 || px >= 18.66 && css.fontWeight >= 700 ? 3 : 4.5)) out.push(ratio.toFixed(2) + " " + e.outerHTML.slice(0, 90));
				}
				return out; })()`)
				if len(faint) > 0 {
					t.Errorf("%s, dark %v: %q", name, dark, faint)
				}
			}
		}
	})
}

// The interactive chart draws the numbers of the table, tells a screen reader what it is, and zooms by
// button; without JavaScript the Go drawing stands in its place and everything else is there too.
func TestChartDrawsTheNumbersOfTheTable(t *testing.T) {
	s := open(t, market(), marketBook(t))
	b := browse(t, s)
	path := seriesURL("217", "7e8", "m3b.tc0")
	b.size(t, 1440, 900, false)
	b.open(t, path)
	b.settled(t)
	got := eval[struct {
		Drawn, Rows, Marks int
		Label              string
	}](t, b, `({Drawn: Number(document.querySelector("[data-drawn]").dataset.drawn), Rows: document.querySelectorAll("#numbers tbody tr").length,
		Marks: document.querySelectorAll(".interactive svg path").length, Label: document.querySelector(".interactive").getAttribute("aria-label") ?? ""})`)
	if got.Drawn != 180 || got.Rows != 180 || got.Marks < 180 {
		t.Errorf("%d points drawn (%d marks), %d rows in the table; want 180 of each", got.Drawn, got.Marks, got.Rows)
	}
	if !strings.Contains(got.Label, "180 fresh results") || !strings.Contains(got.Label, "table of readings") {
		t.Errorf("a screen reader hears %q", got.Label)
	}
	// What the mouse sees over the newest dot is the first row of the table.
	b.do(t, chromedp.ScrollIntoView(chromedp.CSS(".interactive")))
	spot := eval[struct{ X, Y float64 }](t, b, `(() => { const marks = [...document.querySelectorAll(".interactive svg path")].map((e) => e.getBoundingClientRect()).filter((r) => r.width > 2 && r.width < 8 && Math.abs(r.width - r.height) < 1);
		const last = marks.reduce((a, r) => (r.x > a.x ? r : a)); return {X: last.x + last.width / 2, Y: last.y + last.height / 2}; })()`)
	b.do(t, chromedp.MouseEvent("mouseMoved", spot.X-3, spot.Y), chromedp.MouseEvent("mouseMoved", spot.X, spot.Y))
	b.until(t, `document.querySelector(".chart-tip") !== null`)
	tip := eval[string](t, b, `document.querySelector(".chart-tip").textContent`)
	first := eval[string](t, b, `document.querySelector("#numbers tbody tr td").textContent`)
	if !strings.Contains(tip, "value "+first+" Pa") {
		t.Errorf("the chart says %q, the table %q", tip, first)
	}
	b.shot(t, "series-hover")
	before := eval[string](t, b, `document.querySelector(".interactive svg").innerHTML`)
	b.do(t, chromedp.Click(chromedp.CSS(".zoom button")))
	b.until(t, "document.querySelector('.interactive svg').innerHTML !== "+asJSON(before))

	b.script(t, false)
	b.open(t, path)
	b.script(t, true)
	bare := eval[struct {
		Drawn, Rows int
		Live        string
	}](t, b, `({Drawn: document.querySelectorAll(".wide svg.chart .reading").length, Rows: document.querySelectorAll("#numbers tbody tr").length, Live: document.getElementById("live").textContent})`)
	if bare.Drawn != 180 || bare.Rows != 180 {
		t.Errorf("without JavaScript: %d dots and %d rows, want 180 of each", bare.Drawn, bare.Rows)
	}
	if !strings.Contains(bare.Live, "reload for news") {
		t.Errorf("without JavaScript the page claims %q", bare.Live)
	}
	b.shot(t, "series-noscript")
	if f := b.complaints(); len(f) > 0 {
		t.Errorf("console: %q", f)
	}
}

// News arrives without a reload; what the reader was doing stays.
func TestNewsArrives(t *testing.T) {
	book := marketBook(t)
	s := open(t, market(), book)
	b := browse(t, s)
	b.size(t, 1440, 900, false)
	b.open(t, "/")
	b.until(t, `document.getElementById("live").textContent.startsWith("Live")`)
	eval[bool](t, b, `(document.querySelector('a[href="/units/217"]').focus(), window.kept = true)`)
	if err := book.Acknowledge(t.Context(), "a-408", "Ilvane", "", time.Time{}); err != nil {
		t.Fatal(err)
	}
	s.Changed("408")
	b.until(t, `document.getElementById("decide").textContent.includes("3")`)
	got := eval[struct{ Kept, Focus bool }](t, b, `({Kept: window.kept === true, Focus: document.activeElement.getAttribute("href") === "/units/217"})`)
	if !got.Kept || !got.Focus {
		t.Errorf("the page was loaded anew (%v) or the focus was lost (%v)", !got.Kept, !got.Focus)
	}
	// A form that was begun is left alone.
	b.open(t, "/alerts/a-217")
	b.until(t, `document.getElementById("live").textContent.startsWith("Live")`)
	b.do(t, chromedp.SendKeys(chromedp.CSS("#reason-explain"), "filled up on hot evenings"))
	s.Changed("217")
	b.until(t, `document.getElementById("live").textContent.includes("There is news")`)
	if v := eval[string](t, b, `document.getElementById("reason-explain").value`); v != "filled up on hot evenings" {
		t.Errorf("the form holds %q", v)
	}
}

// The service goes away and comes back: the page says so in words.
func TestLostConnectionIsSaid(t *testing.T) {
	s := open(t, market(), marketBook(t))
	b := browse(t, s)
	b.open(t, "/")
	b.until(t, `document.getElementById("live").textContent.startsWith("Live")`)
	b.hang()
	b.until(t, `document.getElementById("live").textContent.startsWith("Reconnecting")`)
	b.resume()
	b.until(t, `document.getElementById("live").textContent.startsWith("Live")`)
}
