package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/vbauerster/mpb/v8"
)

// Two settings beside each other over the history in a real lake: the shipped ones warn of the codes that
// came, ones that hear nothing warn of fewer; the state of the folder stays as it was.
func TestBacktestComparesSettings(t *testing.T) {
	dir := t.TempDir()
	reports, roster, data := filepath.Join(dir, "r.ndjson"), filepath.Join(dir, "r.csv"), filepath.Join(dir, "data")
	must(t, "simulate", "-o", reports, "--roster", roster, "--units", "12", "--days", "120", "--seed", "12", "--scenario", "hard")
	must(t, "import", "--data", data, "--roster", roster, reports)
	before := must(t, "alerts", "list", "--data", data, "--all", "-o", "json")

	var rows []struct {
		Settings  string  `json:"settings"`
		Units     int     `json:"units"`
		Months    float64 `json:"vehicle_months"`
		Alerts    int     `json:"alerts"`
		Undecided int     `json:"undecided"`
		Unfollow  int     `json:"unfollowed"`
		Codes     int     `json:"codes"`
		Preceded  int     `json:"preceded"`
	}
	out := must(t, "backtest", "--data", data, "-o", "json", "--set", "threshold=1000", "--set", "near_chance=2", "--set", "jump_in_row=1000")
	if err := json.Unmarshal([]byte(out), &rows); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	if len(rows) != 2 || rows[0].Units != 12 || rows[0].Months < 40 || rows[0].Months > 48 {
		t.Fatalf("%+v, want two rows over 12 units and about 47 vehicle-months", rows)
	}
	ours, deaf := rows[0], rows[1]
	if !strings.Contains(deaf.Settings, "+threshold=1000+") || deaf.Alerts >= ours.Alerts || deaf.Codes != ours.Codes || deaf.Preceded > ours.Preceded {
		t.Errorf("%+v and %+v: want fewer alerts of settings that hear little, over the same codes", ours, deaf)
	}
	if ours.Unfollow+ours.Undecided > ours.Alerts || ours.Preceded > ours.Codes {
		t.Errorf("%+v does not add up", ours)
	}
	if after := must(t, "alerts", "list", "--data", data, "--all", "-o", "json"); after != before {
		t.Error("a backtest changed the alert book")
	}
	table := must(t, "backtest", "--data", data, "--from", "2026-04-01", "--to", "2026-05-01")
	if !strings.Contains(table, "preceded_share") || strings.Contains(table, "NaN") {
		t.Errorf("table:\n%s", table)
	}
	empty := filepath.Join(t.TempDir(), "empty")
	must(t, "import", "--data", empty, "--roster", write(t, "roster.csv", "unit,vin\nU1,9ZZTEST74RA000123\n"))
	if table := must(t, "backtest", "--data", empty); strings.Contains(table, "NaN") || strings.Contains(table, "Inf") {
		t.Errorf("of no readings:\n%s", table)
	}
	var held []struct{ Settings, Parameters string }
	if err := json.Unmarshal([]byte(must(t, "backtest", "--data", data, "-o", "json", "--needless", "0.5")), &held); err != nil {
		t.Fatal(err)
	}
	if len(held) != 2 || !strings.Contains(held[1].Settings, "+threshold=") || held[0].Parameters == "" {
		t.Errorf("half a needless visit a week: %+v, want a second row with its threshold, and the cohorts' version", held)
	}
	var byClass []struct {
		Class  string  `json:"class"`
		Alerts int     `json:"alerts"`
		Even   float64 `json:"break_even"`
		Pays   string  `json:"pays"`
	}
	if err := json.Unmarshal([]byte(must(t, "backtest", "--data", data, "-o", "json", "--by-class")), &byClass); err != nil {
		t.Fatal(err)
	}
	sum := 0
	for _, c := range byClass {
		sum += c.Alerts
		if c.Class == "" || c.Even <= 0 || c.Even >= 1 || c.Pays == "" {
			t.Errorf("class %+v", c)
		}
	}
	if sum != ours.Alerts {
		t.Errorf("%d alerts by class, %d in all", sum, ours.Alerts)
	}
	file := must(t, "backtest", "--data", data, "-o", "parquet", "--set", "threshold=12")
	if !strings.HasPrefix(file, "PAR1") || !strings.HasSuffix(file, "PAR1") || !strings.Contains(file, "+threshold=12") {
		t.Errorf("%d bytes are no Parquet file that names its settings", len(file))
	}
	for _, c := range []struct{ want, arg, value string }{
		{"threshold", "--set", "treshold=12"}, {"neither a date", "--from", "soon"}, {"is not before", "--from", "2027-01-01"}, {"horizon", "--horizon", "0"},
	} {
		args := []string{"backtest", "--data", data, c.arg, c.value}
		if c.value == "2027-01-01" {
			args = append(args, "--until", "2026-05-01")
		}
		if _, errs, code := try(t, args...); code == exitOK || !strings.Contains(errs, c.want) {
			t.Errorf("%v: exit %d, %q, want an error with %q", args[3:], code, errs, c.want)
		}
	}
}

// How far a request is comes in interim answers, and the answer itself is not changed by them.
func TestProgressOfARequest(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		tell := tellProgress(w)
		var wg sync.WaitGroup
		for i := range 100 {
			wg.Go(func() { tell(float64(i) / 100) })
		}
		wg.Wait()
		tell(1)
		w.Write([]byte("done"))
	}))
	defer srv.Close()
	var screen bytes.Buffer
	pool := mpb.New(mpb.WithOutput(&screen))
	bar := &progress{pool: pool, bar: pool.AddBar(progressParts + 1)}
	req, err := http.NewRequestWithContext(withProgress(t.Context(), bar), "GET", srv.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || string(text) != "done" || res.StatusCode != http.StatusOK || res.Header.Get(progressHeader) != "" {
		t.Errorf("%v: %d %q %v", err, res.StatusCode, text, res.Header)
	}
	if n := bar.bar.Current(); n != progressParts {
		t.Errorf("the bar is at %d of %d", n, progressParts)
	}
	bar.end()
}
