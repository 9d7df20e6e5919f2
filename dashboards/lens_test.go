package dashboards

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// surroundings are made up: the fuel level of report rN is N modulo 97 percent, other conditions were not read, and
// twelve peers lie around 240 in every week but those without enough of them.
type surroundings struct{ asked []Peers }

func (surroundings) Conditions(_ context.Context, _ string, columns []string) (map[string][]float64, error) {
	out := map[string][]float64{}
	for d := range 200 {
		row := make([]float64, len(columns))
		for i, c := range columns {
			row[i] = nan()
			switch c {
			case "fuel_level_pct":
				row[i] = float64(d % 97)
			case "ambient_c":
				row[i] = 20
			}
		}
		out[fmt.Sprintf("r%d", d)] = row
	}
	return out, nil
}

func (s *surroundings) Peers(_ context.Context, of Peers) ([]PeerWeek, error) {
	s.asked = append(s.asked, of)
	var out []PeerWeek
	for w := -27; w < 0; w++ {
		p := PeerWeek{From: at(7 * w), Units: 12, Low: 225, Mid: 241, High: 258}
		if w == -9 || w == -8 {
			p.Units = 3
		}
		out = append(out, p)
	}
	return out, nil
}

// Conditions and peers are in the drawing, the table, the file and the numbers of the script, by the address alone.
func TestSeriesShowsWhatStoodAround(t *testing.T) {
	s := open(t, market(), marketBook(t))
	path := seriesURL("217", "7e8", "m3b.tc0")
	if body := s.must(t, path); strings.Contains(body, `class="condition"`) || strings.Contains(body, `class="peers"`) {
		t.Error("conditions and peers are drawn unasked")
	}
	body := s.must(t, path+"?with=fuel_level_pct&with=coolant_c&peers=yes")
	wide := body[strings.Index(body, `class="wide"`):strings.Index(body, `class="narrow"`)]
	if n := strings.Count(wide, `class="condition"`); n != 180 {
		t.Errorf("%d dots of fuel level, want 180", n)
	}
	for _, want := range []string{">fuel level, %<", "coolant temperature, °C: not read with these results", `viewBox="0 0 900 586"`} {
		if !strings.Contains(wide, want) {
			t.Errorf("the drawing does not say %q", want)
		}
	}
	if n := strings.Count(wide, `class="peers"`); n != 2 { // a gap where there were too few
		t.Errorf("%d stretches of peers, want 2", n)
	}
	rows := regexp.MustCompile(`<td>passed</td><td class="n">(\d+)</td><td class="n">–</td>`).FindAllStringSubmatch(body, -1)
	if len(rows) != 180 || rows[0][1] != "1" || rows[96][1] != "0" {
		t.Errorf("%d rows with their fuel level: %q", len(rows), rows[:min(2, len(rows))])
	}
	if !strings.Contains(body, "up to 12 other units") || !strings.Contains(body, `name="with" value="fuel_level_pct" checked`) {
		t.Error("the page does not say who is behind, or forgets what was chosen")
	}
	file, err := csv.NewReader(strings.NewReader(s.must(t, path+"/readings.csv?with=fuel_level_pct"))).ReadAll()
	if err != nil || file[0][14] != "fuel level [%]" || file[len(file)-1][14] != "1" {
		t.Errorf("the file: %v %q", err, file[0])
	}
	var numbers struct {
		With   []struct{ Column, Unit string }
		Points []struct{ With []*float64 }
	}
	if err := json.Unmarshal([]byte(s.must(t, path+"/points.json?with=fuel_level_pct")), &numbers); err != nil || len(numbers.With) != 1 || *numbers.Points[179].With[0] != 1 {
		t.Errorf("the numbers of the script: %v %+v", err, numbers.With)
	}
	var weeks []struct{ Low, High float64 }
	if err := json.Unmarshal([]byte(s.must(t, path+"/peers.json")), &weeks); err != nil || len(weeks) != 25 || weeks[0].Low != 225 {
		t.Errorf("peers: %v %v", err, weeks)
	}
	if us := s.must(t, path+"?units=us&with=ambient_c&peers=yes"); !strings.Contains(us, "ambient temperature, °F") || !strings.Contains(us, `<td class="n">68</td>`) {
		t.Error("20 °C are not 68 °F")
	}
	for _, of := range s.around.asked { // limits as they are stored, whoever reads
		if of.Max != 620 || of.Key.Unit != "217" {
			t.Errorf("peers of %+v", of)
		}
	}
}

// A stretch of time is that of the drawing and of the table; a stretch that is none is said.
func TestSeriesShowsAStretch(t *testing.T) {
	s := open(t, market(), marketBook(t))
	path := seriesURL("217", "7e8", "m3b.tc0")
	body := s.must(t, path+"?from=2026-04-01&to=2026-04-30")
	if !strings.Contains(body, "The 30 fresh results in the stretch shown, of 180 in all") || !strings.Contains(body, `value="2026-04-30"`) {
		t.Error("April does not have 30 results in the table")
	}
	wide := body[strings.Index(body, `class="wide"`):strings.Index(body, `class="narrow"`)]
	if n := strings.Count(wide, `class="reading"`); n != 30 || strings.Contains(wide, `class="fan"`) || strings.Contains(wide, `class="today"`) {
		t.Errorf("%d readings drawn of April, want 30 and neither today nor forecast", n)
	}
	for _, x := range regexp.MustCompile(`cx="(-?[\d.]+)"`).FindAllStringSubmatch(wide, -1) {
		if v, _ := strconv.ParseFloat(x[1], 64); v < chartLeft || v > 900-chartRight {
			t.Errorf("a reading lies outside, at %s", x[1])
		}
	}
	for _, odd := range []string{"?from=2026-05-01&to=2026-04-01", "?from=soon", "?to=2026-13-01"} {
		if body := s.must(t, path+odd); !strings.Contains(body, "Give two days") || !strings.Contains(body, "All 180 fresh results") {
			t.Errorf("%s is not said", odd)
		}
	}
	if body := s.must(t, path+"?from=2031-01-01"); strings.Contains(body, "NaN") {
		t.Error("a stretch without readings shows numbers that are none")
	}
}

// One zoom for results, score and conditions; the table and the address follow, and the address brings it back.
func TestZoomIsLinked(t *testing.T) {
	s := open(t, market(), marketBook(t))
	b := browse(t, s)
	path := seriesURL("217", "7e8", "m3b.tc0")
	b.size(t, 1440, 900, false)
	b.open(t, path)
	b.settled(t)
	b.until(t, `document.querySelector("[data-peers='25']") !== null`) // peers come by themselves, quietly
	high := eval[int](t, b, `document.querySelector(".interactive").clientHeight`)
	b.do(t, chromedp.Click(chromedp.CSS(`input[value="fuel_level_pct"]`)))
	b.until(t, `document.querySelector("#numbers thead").textContent.includes("fuel level")`)
	b.until(t, fmt.Sprintf(`document.querySelector(".interactive").clientHeight > %d + 50`, high))
	// The axes of all panels say the same days before and after.
	ticks := `JSON.stringify([...document.querySelectorAll(".interactive svg text")].map((e) => e.textContent).filter((w) => /^\d+ [A-Z][a-z]{2}$/.test(w)))`
	before := eval[string](t, b, ticks)
	b.do(t, chromedp.Click(chromedp.CSS(".zoom button")))
	b.until(t, `new URL(location).searchParams.has("from") && document.querySelector("#readings-of .say").textContent.includes("in the stretch shown")`)
	if after := eval[string](t, b, ticks); after == before {
		t.Errorf("the axis did not zoom: %s", after)
	}
	seen := eval[struct{ Rows, Drawn int }](t, b, `(() => { const q = new URL(location).searchParams, from = Date.parse(q.get("from")), to = Date.parse(q.get("to"));
		return {Rows: document.querySelectorAll("#numbers tbody tr").length, Drawn: [...document.querySelectorAll("#numbers tbody time")].filter((e) => Date.parse(e.dateTime) >= from && Date.parse(e.dateTime) <= to).length}; })()`)
	if seen.Rows == 0 || seen.Rows >= 180 || seen.Rows != seen.Drawn {
		t.Errorf("%d rows in the table, %d of them in the stretch", seen.Rows, seen.Drawn)
	}
	address := eval[string](t, b, "location.pathname + location.search")
	b.open(t, address) // a link shows what its sender saw
	b.settled(t)
	if rows := eval[int](t, b, `document.querySelectorAll("#numbers tbody tr").length`); rows != seen.Rows {
		t.Errorf("the link shows %d rows, its sender saw %d", rows, seen.Rows)
	}
	time.Sleep(600 * time.Millisecond) // opening a link is no zoom: the address stays
	if again := eval[string](t, b, "location.pathname + location.search"); again != address {
		t.Errorf("the address became %s", again)
	}
	b.shot(t, "series-zoomed")
	for _, c := range []string{"Whole"} {
		eval[bool](t, b, `([...document.querySelectorAll(".zoom button")].find((e) => e.textContent === `+asJSON(c)+`).click(), true)`)
	}
	b.until(t, `!new URL(location).searchParams.has("from") && document.querySelectorAll("#numbers tbody tr").length === 180`)
	if f := b.complaints(); len(f) > 0 {
		t.Errorf("console: %q", f)
	}
}
