package main

import (
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"marginline/alerts"
	"marginline/alerts/shop"
	"marginline/analyze"
	"marginline/ingest/series"
)

// A fact that somebody enters starts the right series anew, end to end: file or form, book, detector, drift table, page.
// Entered before the readings or after them, live or at a start, the state is the same.
func TestFactsRestartSeries(t *testing.T) {
	dir := t.TempDir()
	reports, roster := filepath.Join(dir, "r.ndjson"), filepath.Join(dir, "roster.csv")
	must(t, "simulate", "-o", reports, "--roster", roster, "--units", "4", "--days", "40", "--seed", "11")
	data := filepath.Join(dir, "a")
	must(t, "import", "--data", data, "--roster", roster, reports)
	var units []string
	for _, r := range rows(t, data, "select unit from units order by unit") {
		units = append(units, r["unit"].(string))
	}
	day := rows(t, data, "select strftime(max(read_at) - interval 15 day, '%Y-%m-%dT%H:%M') d from readings where clock_ok")[0]["d"].(string)
	a, _ := served(t, data)
	ctx := t.Context()

	// The series that a repair touches is one of the unit's own with results on both sides of the day.
	at, err := time.Parse("2006-01-02T15:04", day)
	if err != nil {
		t.Fatal(err)
	}
	busy := func(unit string) (key series.Key, family string) {
		t.Helper()
		courses, err := a.watch.runner.Traces(ctx, unit)
		if err != nil {
			t.Fatal(err)
		}
		most := 0
		for k, tr := range courses {
			before, after := 0, 0
			for _, p := range tr.Points {
				if p.At.Before(at) {
					before++
				} else {
					after++
				}
			}
			if n := min(before, after); tr.Now.Family != "" && tr.Now.Toward != "" && (n > most || n == most && k.Test < key.Test) {
				most, key, family = n, k, tr.Now.Family
			}
		}
		if most == 0 {
			t.Fatalf("unit %s has no series with results on both sides of %s", unit, day)
		}
		return key, family
	}
	key, family := busy(units[1])
	untold := a.watch.runner.Digest()
	file := fmt.Sprintf("kind,unit,date,text,family,device\nreflash,%[1]s,%[5]s,,,\nrepair,%[2]s,%[5]s,part renewed,%[6]s,\nclear,%[3]s,%[5]s,,,\ndongle,%[4]s,%[5]s,,,dgl-other\n",
		units[0], units[1], units[2], units[3], day, family)
	if _, err := a.floor.ImportFacts(ctx, []byte(file), "Priya"); err != nil {
		t.Fatal(err)
	}
	marks := func(unit string) map[series.Key]string {
		t.Helper()
		courses, err := a.watch.runner.Traces(ctx, unit)
		if err != nil {
			t.Fatal(err)
		}
		out := map[series.Key]string{}
		for k, tr := range courses {
			for _, p := range tr.Points {
				if d := p.At.Sub(at); p.Restart != "" && d >= 0 && d < 14*24*time.Hour {
					out[k] += p.Restart
				}
			}
		}
		return out
	}
	for i, want := range []string{"another control unit, or one programmed anew", "repaired: evidence and slope start anew", "codes were cleared", "another dongle"} {
		k, _ := busy(units[i])
		if got := marks(units[i]); !strings.Contains(got[k], want) {
			t.Errorf("unit %s: %s is marked %q, want %q", units[i], k.Test, got[k], want)
		}
	}
	for k, words := range marks(units[1]) {
		if k != key && strings.Contains(words, "repaired") {
			if n := a.watch.runner.Series(units[1]); !hasFamily(n, k, family) {
				t.Errorf("a repair of %s marks %s", family, k.Test)
			}
		}
	}
	if a.watch.runner.Digest() == untold {
		t.Fatal("facts change nothing")
	}
	if n := one(t, data, fmt.Sprintf("select count(*) from (select test from drift where unit = '%s' group by all having max(epoch) > 1)", units[0])); n < 1 {
		t.Error("the drift table knows no new epoch after the reflash")
	}

	// On the page, in words.
	addr, stop := pagesAt(t, a, "127.0.0.1:0")
	k, _ := busy(units[2])
	res, err := http.Get(fmt.Sprintf("http://%s/series/%s/%s/%s", addr, units[2], k.ECU, k.Test))
	if err != nil {
		t.Fatal(err)
	}
	page, err := io.ReadAll(res.Body)
	res.Body.Close()
	stop()
	if err != nil || !strings.Contains(string(page), "codes were cleared") {
		t.Errorf("the page of the series does not tell of the clear: %s %v", res.Status, err)
	}

	// The same facts and readings in another order.
	if err := a.watch.rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	want := a.watch.runner.Digest()
	other := filepath.Join(dir, "b")
	must(t, "import", "--data", other, "--roster", roster)
	facts := write(t, "facts.csv", file)
	_, errs, code := try(t, "shop", "import", "--data", other, "--by", "Priya", facts)
	if code != exitOK || !strings.Contains(errs, "4 facts taken") {
		t.Fatalf("%d %s", code, errs)
	}
	must(t, "import", "--data", other, reports)
	b, _ := served(t, other)
	if b.watch.runner.Digest() != want {
		t.Error("facts before the readings give another state than facts after them")
	}

	// Taken back, they are as if they had never been; an outcome of our own order counts like a fact.
	list, err := a.floor.Facts(ctx, "")
	if err != nil || len(list) != 4 {
		t.Fatal(len(list), err)
	}
	for _, f := range list {
		if err := a.floor.Retract(ctx, f.ID, "Priya", "a test"); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.watch.rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if a.watch.runner.Digest() != untold {
		t.Error("facts that were taken back still count")
	}
	if _, err := a.floor.TakeFact(ctx, shop.Fact{Kind: shop.Report, Unit: units[3], At: at, By: "driver", Symptom: "flashing_lamp"}); err != nil {
		t.Fatal(err)
	}
	open, err := a.floor.Alerts(ctx, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range open {
		if x.Unit != units[3] {
			continue
		}
		o, err := a.floor.Open(ctx, x.ID, "Odalys", true)
		if err != nil {
			t.Fatal(err)
		}
		yes, no := true, false
		if _, err := a.floor.Finish(ctx, o.ID, alerts.Outcome{Key: "k", At: at.Add(time.Minute), Who: "Wes", Found: alerts.FoundCause, Cause: "coil", Correction: "coil renewed",
			CodesCleared: &yes, Reprogrammed: &no}); err != nil {
			t.Fatal(err)
		}
		break
	}
	k, _ = busy(units[3])
	if got := marks(units[3]); !strings.Contains(got[k], "codes were cleared") {
		t.Errorf("the outcome of a work order is not marked: %v", got)
	}
}

func hasFamily(list []analyze.Now, k series.Key, family string) bool {
	return slices.ContainsFunc(list, func(n analyze.Now) bool { return n.Key == k && n.Family == family })
}
