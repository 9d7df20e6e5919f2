package dashboards

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/memory"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"marginline/analyze"
	"marginline/ingest/fleet"
	"marginline/ingest/series"
)

// scripts is how many bytes of script the page as it stands has loaded, compressed.
func (b *tab) scripts(t testing.TB, s *site) int {
	t.Helper()
	sum := 0
	for _, name := range eval[[]string](t, b, `performance.getEntriesByType("resource").map((e) => new URL(e.name).pathname).filter((p) => p.startsWith("/static/") && p.endsWith(".js"))`) {
		var packed bytes.Buffer
		z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		if err != nil {
			t.Fatal(err)
		}
		body := s.assets.files[strings.TrimPrefix(name, "/static/")]
		if len(body) == 0 {
			t.Fatalf("the page loaded %s, which is none of ours", name)
		}
		if _, err := z.Write(body); err != nil || z.Close() != nil {
			t.Fatal(err)
		}
		sum += packed.Len()
	}
	return sum
}

// No page loads more than 300 kB of script, compressed; that of SQL 400 kB.
func TestScriptsStaySmall(t *testing.T) {
	s, pages := wholeSite(t)
	b := browse(t, s)
	for name, path := range pages {
		b.open(t, path)
		b.settled(t)
		if n := b.scripts(t, s); n == 0 || n > 300<<10 {
			t.Errorf("%s: %d bytes of script", name, n)
		}
	}
	with := openSQL(t)
	b = browse(t, with)
	b.open(t, "/sql")
	if n := b.scripts(t, with); n == 0 || n > 400<<10 {
		t.Errorf("the page of SQL: %d bytes of script", n)
	}
}

// bigYard is a fleet of n units, 1 in 40 drifting, 1 in 30 silent, 1 in 50 without a test that runs, and its alerts.
func bigYard(t testing.TB, n int) (*yard, *fleet.Roster, []string) {
	t.Helper()
	y := newYard()
	units := make([]fleet.Unit, n)
	var drifting []string
	for i := range units {
		name := fmt.Sprint(1000 + i)
		units[i] = fleet.NewUnit(name)
		u := &units[i]
		u.VIN, u.Depot, u.TimeZone, u.EngineFamily, u.Fuel, u.WeightClass = fmt.Sprintf("9ZZTEST74RA%06d", i), fmt.Sprintf("Depot %d", i%12), "America/Chicago", fmt.Sprintf("KR-%d", i%5), "petrol", "light"
		y.polls[name] = today.Add(-time.Duration(i%300) * time.Minute)
		for k := range 20 {
			now := analyze.Now{Key: series.Key{Unit: name, ECU: "7e8", Test: fmt.Sprintf("m%02x.t80", k+1)}, Family: "evap", State: series.StateOK, LastRead: y.polls[name], LastFresh: y.polls[name],
				Value: 240, Min: nan(), Max: 620, Margin: 0.6, UnitOfMeasure: "Pa", Baseline: 240, Spread: 14, Toward: "max", Used: 0.1, Threshold: 9, Fresh: 100}
			if i%50 == 7 {
				now.State = series.StateNotRun
			}
			y.states[name] = append(y.states[name], now)
		}
		switch {
		case i%30 == 3:
			y.polls[name] = at(-9)
		case i%40 == 5:
			drifting = append(drifting, name)
			y.runs(name, with(leak, func(c *course) { c.drift, c.driftDays = 7, 40 }))
		}
	}
	roster, err := fleet.New(units)
	if err != nil {
		t.Fatal(err)
	}
	return y, roster, drifting
}

// bigSite is a site over such a fleet.
func bigSite(t testing.TB, n int) *site {
	t.Helper()
	y, roster, drifting := bigYard(t, n)
	s := open(t, y, shelveMany(t, drifting))
	deps := s.deps
	deps.Roster, deps.Codes, deps.Facts = roster, codesOf{}, factsOf{}
	whole, err := New(s.cfg, deps, quiet())
	if err != nil {
		t.Fatal(err)
	}
	s.Server = whole
	return s
}

// A page of a large fleet does not hold a row for each unit, and says where the rest is.
func TestLargeFleetStaysReadable(t *testing.T) {
	s := bigSite(t, 5000)
	for path, most := range map[string]int{"/": 400 << 10, "/units": 300 << 10, "/alerts": 500 << 10, "/fleet": 200 << 10} {
		body := s.must(t, path)
		if len(body) > most {
			t.Errorf("%s has %d bytes, at most %d", path, len(body), most)
		}
	}
	home := s.must(t, "/")
	if n := strings.Count(home, `class="plate"`); n > 6*listRows {
		t.Errorf("Today shows %d units at once", n)
	}
	for _, want := range []string{"5000 units", "and 85 more: <a href=\"/alerts\"", "all silent units", "all units that are not protected"} {
		if !strings.Contains(home, want) {
			t.Errorf("Today does not say %q", want)
		}
	}
	// Today and the fleet page count units that are not protected alike.
	if fleet := s.must(t, "/fleet"); !strings.Contains(home, "100 units not protected") || !strings.Contains(fleet, `<td class="n">100</td>`) {
		t.Error("Today and Fleet do not both say that 100 units are not protected")
	}
	part := s.must(t, "/units?is=silent")
	if !strings.Contains(part, "167 of 5000 units, silent") {
		t.Error("the silent units are not 167")
	}
	last := s.must(t, "/units?page=25&depot=")
	if !strings.Contains(last, "4801 to 5000, part 25 of 25") || !strings.Contains(last, ">5999<") || strings.Contains(last, "More rows") {
		t.Error("the last part of the list is wrong")
	}
}

// heap is what the page's script holds after a collection, and the nodes and listeners of the document.
func (b *tab) heap(t *testing.T) (bytes float64, nodes, listeners int64) {
	t.Helper()
	for range 2 {
		if _, err := chromedp.Call(b.ctx, heapprofiler.CollectGarbage, cdp.Empty{}); err != nil {
			t.Fatal(err)
		}
	}
	use, err := chromedp.Call(b.ctx, runtime.GetHeapUsage, cdp.Empty{})
	if err != nil {
		t.Fatal(err)
	}
	dom, err := chromedp.Call(b.ctx, memory.GetDOMCounters, cdp.Empty{})
	if err != nil {
		t.Fatal(err)
	}
	return use.UsedSize, dom.Nodes, dom.JsEventListeners
}

// As many changes as an hour brings at their fastest, one a second, do not let a page grow. The stream, the
// refreshes and the drawing are real; only the waits between them are a fiftieth. The browser compiles everything
// once and improves nothing: heap snapshots show that machine code, made of our script where it gets hot, is what grows
// otherwise, 1.5 MB in some 400 repaints of the series page, and it would hide a leak of that size.
func TestAnHourOfNewsLeavesNothingBehind(t *testing.T) {
	s := open(t, market(), marketBook(t))
	s.hub.pace = hubPace / 50
	b := browse(t, s, chromedp.Flag("js-flags", "--no-opt --no-maglev --always-sparkplug"))
	b.size(t, 1440, 900, false)
	b.before(t, `const wait = window.setTimeout.bind(window); window.setTimeout = (f, ms, ...a) => wait(f, (ms || 0) / 50, ...a);
		const now = Date.now.bind(Date), start = now(); Date.now = () => start + (now() - start) * 50;
		window.asked = 0; const get = window.fetch.bind(window); window.fetch = (...a) => { window.asked++; return get(...a); };`)
	for _, path := range []string{"/", seriesURL("217", "7e8", "m3b.tc0")} {
		b.open(t, path)
		b.settled(t)
		b.until(t, `document.getElementById("live").textContent.startsWith("Live")`)
		news := func(n int) { // changes, until the page has asked n times
			for until, k := eval[int](t, b, "window.asked")+n, 0; eval[int](t, b, "window.asked") < until; k++ {
				if k > 100*n {
					t.Fatalf("%s: %d changes and it does not ask: the test looks at nothing", path, k)
				}
				s.Changed("217")
				time.Sleep(s.hub.pace)
			}
			b.until(t, `document.getElementById("live").textContent.startsWith("Live")`)
			time.Sleep(200 * time.Millisecond)
		}
		news(100) // what is made once is made
		bytes, nodes, listeners := b.heap(t)
		news(400)
		bytes2, nodes2, listeners2 := b.heap(t)
		t.Logf("%s: %.2f to %.2f MB, %d to %d nodes, %d to %d listeners", path, bytes/1e6, bytes2/1e6, nodes, nodes2, listeners, listeners2)
		if bytes2-bytes > 0.4e6 || nodes2 > nodes+nodes/10+200 || listeners2 > listeners+50 {
			t.Errorf("%s grew: %.2f to %.2f MB, %d to %d nodes, %d to %d listeners", path, bytes/1e6, bytes2/1e6, nodes, nodes2, listeners, listeners2)
		}
	}
}

// Above 2,000 points the drawing is made of pixels, below of elements that can be read.
func TestManyPointsAreDrawnOnCanvas(t *testing.T) {
	y := market()
	y.runs("220", with(rear, func(c *course) { c.days = 2001 }))
	y.runs("220", with(egr, func(c *course) { c.days = 2000 }))
	s := open(t, y, marketBook(t))
	b := browse(t, s)
	b.size(t, 1440, 900, false)
	for test, pixels := range map[string]bool{"m02.t08": true, "m31.t95": false} {
		b.open(t, seriesURL("220", "7e8", test))
		b.settled(t)
		if got := eval[bool](t, b, `document.querySelector(".interactive canvas") !== null`); got != pixels {
			t.Errorf("%s: canvas %v, want %v", test, got, pixels)
		}
	}
}

// usable is how long a page took, from its address to the end of its first frame with everything on it.
func usable(b *testing.B, tb *tab, path, ready string) {
	var sum float64
	for range b.N {
		if err := chromedp.Do(tb.ctx, chromedp.Navigate(tb.base+path)); err != nil {
			b.Fatal(err)
		}
		if _, err := chromedp.Run(tb.ctx, chromedp.Poll[bool](ready)); err != nil {
			b.Fatal(err)
		}
		ms, err := chromedp.Run(tb.ctx, chromedp.Evaluate[float64](`performance.now()`))
		if err != nil {
			b.Fatal(err)
		}
		sum += ms
	}
	b.ReportMetric(sum/float64(b.N), "ms/page")
	b.ReportMetric(0, "ns/op")
}

func BenchmarkTodayOf5000Units(b *testing.B) {
	s := bigSite(b, 5000)
	tb := browse(b, s)
	usable(b, tb, "/", `document.getElementById("live")?.textContent.startsWith("Live")`)
}

func BenchmarkSeriesOf10000Points(b *testing.B) {
	y := market()
	y.runs("220", with(rear, func(c *course) { c.days = 10000 }))
	s := open(b, y, marketBook(b))
	tb := browse(b, s)
	usable(b, tb, seriesURL("220", "7e8", "m02.t08"), `document.querySelector("[data-drawn='10000']") !== null`)
}

// The server's part of Today alone.
func BenchmarkTodayPage(b *testing.B) {
	s := bigSite(b, 5000)
	b.ReportAllocs()
	for b.Loop() {
		if code, _ := s.get(b, "/"); code != 200 {
			b.Fatal(code)
		}
	}
}
