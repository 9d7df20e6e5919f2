package main

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The lake's commands, one after the other on one history: nothing changes but files, a copy is as good as the
// original, and damage is found.
func TestLakeCommands(t *testing.T) {
	reports, roster := simulated(t, 6, 60, 3)
	data := filepath.Join(t.TempDir(), "data")
	t.Setenv("MARGINLINE_FLUSH_ROWS", "1500")
	must(t, "import", "--data", data, "--roster", roster, reports)
	wantReadings, wantAlerts := history(t, data)
	files := func(data string) float64 {
		var tables []map[string]any
		if err := json.Unmarshal([]byte(must(t, "lake", "verify", "--data", data, "-o", "json")), &tables); err != nil || len(tables) != 4 {
			t.Fatalf("%v: %v", tables, err)
		}
		return tables[0]["files"].(float64)
	}
	before := files(data)
	var done []map[string]any
	if err := json.Unmarshal([]byte(must(t, "lake", "compact", "--data", data, "-o", "json")), &done); err != nil || done[0]["groups"].(float64) < before || done[0]["bytes_after"].(float64) <= 0 {
		t.Errorf("%v of %v groups (%v)", done, before, err)
	}
	if after := files(data); after >= before/2 {
		t.Errorf("%v files of %v", after, before)
	}
	gotReadings, gotAlerts := history(t, data)
	same(t, "readings", wantReadings, gotReadings)
	same(t, "alerts", wantAlerts, gotAlerts)
	if out := must(t, "lake", "expire", "--data", data, "--keep", "1", "--older-than", "0s", "--grace", "10m", "-o", "csv"); !strings.Contains(out, "snapshots_dropped") {
		t.Errorf("%s", out)
	}

	copied := filepath.Join(t.TempDir(), "copy")
	must(t, "lake", "export", copied, "--data", data)
	restored := filepath.Join(t.TempDir(), "restored")
	must(t, "lake", "restore", copied, "--data", restored)
	must(t, "import", "--data", restored, "--roster", roster, reports) // everything is there already
	gotReadings, gotAlerts = history(t, restored)
	same(t, "readings", wantReadings, gotReadings)
	same(t, "alerts", wantAlerts, gotAlerts)

	for _, c := range []struct {
		code int
		want string
		args []string
	}{
		{1, "holds a lake already", []string{"lake", "restore", copied, "--data", restored}},
		{1, "no exported lake", []string{"lake", "restore", roster, "--data", filepath.Join(t.TempDir(), "x")}},
		{1, "there is something already", []string{"lake", "export", copied, "--data", data}},
		{1, "--grace", []string{"lake", "expire", "--data", data, "--grace", "1m"}},
		{2, "-o", []string{"lake", "verify", "--data", data, "-o", "xml"}},
		{1, "no table", []string{"lake", "verify", "--data", filepath.Join(t.TempDir(), "none")}},
	} {
		if _, msg, code := try(t, c.args...); code != c.code || !strings.Contains(msg, c.want) {
			t.Errorf("%q: %d %s", c.args, code, msg)
		}
	}

	found, err := filepath.Glob(filepath.Join(data, "lake", "readings", "data", "*.parquet"))
	if err != nil || len(found) == 0 {
		t.Fatal(err)
	}
	for _, f := range found {
		if err := os.Truncate(f, 500); err != nil {
			t.Fatal(err)
		}
	}
	out, msg, code := try(t, "lake", "verify", "--data", data, "-o", "csv")
	if code != 1 || !strings.Contains(msg, "problems") || !strings.HasPrefix(out, "table,file,problem\nreadings,") {
		t.Errorf("damage: %d %s %s", code, msg, out)
	}
}

// Compaction that is killed with SIGKILL at any moment leaves a history that is whole, and can be compacted.
func TestKilledCompactionLosesAndDoublesNothing(t *testing.T) {
	reports, roster := simulated(t, 6, 60, 4)
	data := filepath.Join(t.TempDir(), "data")
	t.Setenv("MARGINLINE_FLUSH_ROWS", "400")
	must(t, "import", "--data", data, "--roster", roster, reports)
	wantReadings, wantAlerts := history(t, data)
	rng := rand.New(rand.NewPCG(3, 4))
	const kills = 5
	killed := 0
	for range kills {
		copied := filepath.Join(t.TempDir(), "data")
		if err := os.CopyFS(copied, os.DirFS(data)); err != nil {
			t.Fatal(err)
		}
		from := lakeFiles(copied)
		cmd := program(t, "lake", "compact", "--data", copied)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		// The first new file of the lake is the beginning of the work.
		within(t, time.Minute, "the compaction begins", func() bool { return lakeFiles(copied) > from || len(ended) > 0 })
		time.Sleep(time.Duration(rng.IntN(250)) * time.Millisecond)
		cmd.Process.Kill()
		if err := <-ended; err != nil {
			killed++
		}
		must(t, "lake", "verify", "--data", copied)
		gotReadings, gotAlerts := history(t, copied)
		same(t, "readings", wantReadings, gotReadings)
		same(t, "alerts", wantAlerts, gotAlerts)
		must(t, "lake", "compact", "--data", copied)
		must(t, "lake", "verify", "--data", copied)
		gotReadings, _ = history(t, copied)
		same(t, "readings after compaction", wantReadings, gotReadings)
	}
	if killed == 0 {
		t.Error("every compaction ended before it could be killed: the test proves nothing")
	}
	t.Logf("%d of %d were killed at work", killed, kills)
}

// lakeFiles counts the files of the lake.
func lakeFiles(data string) int {
	files, _ := filepath.Glob(filepath.Join(data, "lake", "*", "*", "*"))
	return len(files)
}
