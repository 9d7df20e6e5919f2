package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"
)

// An import that is killed with SIGKILL again and again while it commits, and then run once more, ends where
// an undisturbed import ends: every report once, the same alerts.
func TestKilledImportLosesAndDoublesNothing(t *testing.T) {
	reports, roster := simulated(t, 14, 120, 3)
	total := lines(t, reports)
	calm := filepath.Join(t.TempDir(), "calm")
	must(t, "import", "--data", calm, "--roster", roster, reports)
	wantReadings, wantAlerts := history(t, calm)
	if n := one(t, calm, "select count(*) from reports"); n != float64(total) {
		t.Fatalf("the undisturbed import has %v reports of %d", n, total)
	}
	var list []map[string]any
	if json.Unmarshal([]byte(wantAlerts), &list); len(list) == 0 {
		t.Fatal("the fleet raised no alert: the comparison would prove nothing")
	}

	killed := filepath.Join(t.TempDir(), "killed")
	rng := rand.New(rand.NewPCG(1, 2))
	const kills = 6
	for i := range kills {
		cmd := program(t, "import", "--data", killed, "--roster", roster, reports)
		cmd.Env = append(cmd.Env, "MARGINLINE_FLUSH_ROWS=1500") // many commits, so that one is under way
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		from := commits(killed)
		within(t, time.Minute, "the import commits", func() bool { return commits(killed) >= from+3 })
		time.Sleep(time.Duration(rng.IntN(15)) * time.Millisecond)
		cmd.Process.Kill()
		if err := cmd.Wait(); err == nil {
			t.Fatalf("import %d ended before it could be killed", i+1)
		}
	}
	before := commits(killed)
	must(t, "import", "--data", killed, "--roster", roster, reports)
	if commits(killed) == before {
		t.Error("nothing was left to commit after the last kill: the kills came too late to prove anything")
	}
	gotReadings, gotAlerts := history(t, killed)
	same(t, "readings", wantReadings, gotReadings)
	same(t, "alerts", wantAlerts, gotAlerts)
	if n := one(t, killed, "select count(*) - count(distinct report_id) from reports"); n != 0 {
		t.Errorf("%v reports are doubled", n)
	}
	must(t, "lake", "verify", "--data", killed)
}

// commits counts the commits that the reports table has seen, by the number in the name of its newest
// metadata file.
func commits(data string) int {
	hint, err := os.ReadFile(filepath.Join(data, "lake", "reports", "metadata", "version-hint.text"))
	if err != nil {
		return 0
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(hint)))
	if err != nil {
		return 0
	}
	return n
}

// The same reports shuffled within each vehicle's day, with 2 % of them doubled, end in the same series
// state and alerts.
func TestShuffledAndDoubledReportsEndTheSame(t *testing.T) {
	reports, roster := simulated(t, 14, 120, 5)
	ordered := filepath.Join(t.TempDir(), "ordered")
	must(t, "import", "--data", ordered, "--roster", roster, reports)
	wantReadings, wantAlerts := history(t, ordered)
	wantSeries := must(t, "series", "list", "--data", ordered, "-o", "csv")

	shuffled := filepath.Join(t.TempDir(), "shuffled")
	must(t, "import", "--data", shuffled, "--roster", roster, shuffle(t, reports, 0.02))
	gotReadings, gotAlerts := history(t, shuffled)
	same(t, "readings", wantReadings, gotReadings)
	same(t, "alerts", wantAlerts, gotAlerts)
	same(t, "series", wantSeries, must(t, "series", "list", "--data", shuffled, "-o", "csv"))
}

// shuffle writes a copy of a report file in which each vehicle's reports of a day change places and a
// share of all reports comes twice.
func shuffle(t *testing.T, path string, doubled float64) string {
	t.Helper()
	type line struct {
		text string
		slot string
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rng := rand.New(rand.NewPCG(7, 7))
	var all []line
	sc := bufio.NewScanner(f)
	sc.Buffer(nil, 1<<20)
	for sc.Scan() {
		var head struct {
			Device string
			Time   time.Time
		}
		if err := json.Unmarshal(sc.Bytes(), &head); err != nil {
			t.Fatal(err)
		}
		all = append(all, line{sc.Text(), head.Device + head.Time.Format(time.DateOnly)})
	}
	places := map[string][]int{}
	for i, l := range all {
		places[l.slot] = append(places[l.slot], i)
	}
	slots := make([]string, 0, len(places))
	for s := range places {
		slots = append(slots, s)
	}
	sort.Strings(slots)
	moved := 0
	for _, s := range slots {
		p := places[s]
		rng.Shuffle(len(p), func(i, j int) {
			all[p[i]], all[p[j]] = all[p[j]], all[p[i]]
			moved++
		})
	}
	if moved == 0 {
		t.Fatal("nothing to shuffle")
	}
	var b strings.Builder
	for _, l := range all {
		fmt.Fprintln(&b, l.text)
		if rng.Float64() < doubled {
			fmt.Fprintln(&b, l.text)
		}
	}
	return write(t, "shuffled.ndjson", b.String())
}

func lines(t *testing.T, path string) int {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Count(b, []byte{'\n'})
}
