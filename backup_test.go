package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"marginline/ingest/backup"
)

// digest is everything that a restore has to bring back. The dongle of the load has reports k-0, k-1 ...; those below
// upTo count.
func digest(t *testing.T, data string, upTo int64) string {
	t.Helper()
	whole := fmt.Sprintf("report_id not like 'k-%%' or try_cast(substr(report_id, 3) as bigint) < %d", upTo)
	var b strings.Builder
	for _, q := range []string{
		"select count(*) n, count(distinct report_id) reports, sum(hash(unit, vin, device, report_id, ecu, test, raw_value, raw_min, raw_max, state, epoch_us(read_at)) % 1000000007) h from readings where " + whole,
		"select count(*) n, sum(hash(vin, device, report_id, bus, odometer_km, epoch_us(read_at)) % 1000000007) h from reports where " + whole,
		"select count(*) n, sum(hash(unit, ecu, test, report_id, epoch) % 1000000007) h, round(sum(score), 3) s from drift where " + whole,
	} {
		b.WriteString(must(t, "sql", "--data", data, "-o", "csv", q))
	}
	list := must(t, "alerts", "list", "--all", "--data", data, "-o", "json")
	b.WriteString(list)
	var all []map[string]any
	if err := json.Unmarshal([]byte(list), &all); err != nil {
		t.Fatal(err)
	}
	for _, a := range all {
		b.WriteString(must(t, "alerts", "show", a["id"].(string), "--data", data, "-o", "json"))
	}
	orders := must(t, "orders", "list", "--data", data, "-o", "json")
	b.WriteString(orders)
	if err := json.Unmarshal([]byte(orders), &all); err != nil {
		t.Fatal(err)
	}
	for _, o := range all {
		b.WriteString(must(t, "orders", "show", o["id"].(string), "--data", data, "-o", "json"))
	}
	b.WriteString(must(t, "quarantine", "list", "--data", data, "-o", "csv"))
	return b.String()
}

// The service is backed up while a dongle publishes, everything is deleted, and the backup is restored to another
// path: readings, alerts, orders and their histories are the same, nothing acknowledged is lost or doubled, and
// the service goes on taking reports.
func TestBackupUnderLoadIsRestoredElsewhere(t *testing.T) {
	reports, roster := simulated(t, 12, 120, 3)
	root := t.TempDir()
	data, store, then := filepath.Join(root, "data"), filepath.Join(root, "backups"), filepath.Join(root, "elsewhere", "then")
	bad := write(t, "bad.ndjson", "garbage that nobody can read\n")
	must(t, "import", "--data", data, "--roster", roster, reports, bad)
	var open []map[string]any
	if err := json.Unmarshal([]byte(must(t, "alerts", "list", "--data", data, "-o", "json")), &open); err != nil || len(open) < 2 {
		t.Fatalf("%d alerts: nothing to compare (%v)", len(open), err)
	}
	must(t, "alerts", "ack", open[0]["id"].(string), "--by", "Rao", "--reason", "seen at the depot", "--data", data)
	must(t, "orders", "open", open[len(open)-1]["id"].(string), "--by", "Rao", "--data", data)

	settings := write(t, "fleet.yaml", "flush:\n  every: 50ms\nlake:\n  every: 1s\n")
	addr := free(t)
	serve := func(data string) (stop func()) {
		cmd := program(t, "serve", "--config", settings, "--data", data, "--listen", free(t), "--broker-listen", addr, "--log-level", "error")
		cmd.Env = append(cmd.Env, "MARGINLINE_DISK_FLOOR=0")
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return func() {
			cmd.Process.Signal(os.Interrupt)
			cmd.Wait()
		}
	}
	stop := serve(data)
	ctx, cancel := context.WithCancel(t.Context())
	d := &dongle{addr: addr}
	gone := make(chan struct{})
	go func() { defer close(gone); d.run(ctx) }()
	within(t, 2*time.Minute, "reports are acknowledged", func() bool { return d.kept.Load() >= 5 })
	must(t, "backup", "--to", store, "--data", data)
	before := d.kept.Load()
	within(t, time.Minute, "more reports come", func() bool { return d.kept.Load() >= before+5 })
	low := d.kept.Load()
	var made []map[string]any
	if err := json.Unmarshal([]byte(must(t, "backup", "--to", store, "--data", data, "--keep", "1", "-o", "json")), &made); err != nil {
		t.Fatal(err)
	}
	if made[0]["new_bytes"].(float64) >= made[0]["bytes"].(float64) {
		t.Errorf("the second backup shares nothing with the first: %v", made)
	}
	after := d.kept.Load()
	within(t, time.Minute, "more reports come", func() bool { return d.kept.Load() >= after+5 })
	cancel()
	<-gone
	stop()

	point, m, err := backup.Find(store)
	if err != nil || m.LakeSeq > m.LogSeq {
		t.Fatalf("%+v: %v", m, err)
	}
	if left, _ := os.ReadDir(store); len(left) != 2 { // one backup, and the lock
		t.Errorf("%v", left)
	}
	must(t, "restore", "--from", store, "--data", then)
	restored := int64(one(t, then, "select count(*) from reports where report_id like 'k-%'"))
	if ids := int64(one(t, then, "select count(distinct report_id) from reports where report_id like 'k-%'")); ids != restored || restored < low || restored > after+5 {
		t.Errorf("%d reports of %d ids restored; %d were acknowledged before the backup, %d soon after it", restored, ids, low, after)
	}
	want := digest(t, data, restored)
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	same(t, "what was restored", want, digest(t, then, restored))
	must(t, "lake", "verify", "--data", then)
	must(t, "backup", "verify", point)
	if text, err := os.ReadFile(filepath.Join(then, "settings", "fleet.yaml")); err != nil || !strings.Contains(string(text), "50ms") {
		t.Errorf("settings: %q %v", text, err)
	}

	// It goes on, and what the dongle sends again is not doubled.
	d2 := &dongle{addr: addr}
	ctx, cancel = context.WithCancel(t.Context())
	gone = make(chan struct{})
	stop = serve(then)
	go func() { defer close(gone); d2.run(ctx) }()
	within(t, 2*time.Minute, "reports are acknowledged after the restore", func() bool { return d2.kept.Load() > restored+5 })
	cancel()
	<-gone
	stop()
	n := one(t, then, "select count(*) from reports where report_id like 'k-%'")
	if ids := one(t, then, "select count(distinct report_id) from reports where report_id like 'k-%'"); ids != n || int64(n) < d2.kept.Load() {
		t.Errorf("%v reports of %v ids, %d acknowledged", n, ids, d2.kept.Load())
	}
	must(t, "lake", "verify", "--data", then)

	for _, c := range []struct{ want, from, to string }{
		{"is not empty", store, then},
		{"no backup", t.TempDir(), filepath.Join(root, "x")},
	} {
		if _, errs, code := try(t, "restore", "--from", c.from, "--data", c.to); code != exitFailed || !strings.Contains(errs, c.want) {
			t.Errorf("%+v: exit %d: %s", c, code, errs)
		}
	}
	refused := func(what, want string) {
		t.Helper()
		to := filepath.Join(root, "refused")
		if _, errs, code := try(t, "restore", "--from", point, "--data", to); code != exitFailed || !strings.Contains(errs, want) {
			t.Errorf("%s: exit %d: %s", what, code, errs)
		}
		if _, err := os.Stat(to); !os.IsNotExist(err) {
			t.Errorf("%s: something was restored", what)
		}
	}
	blk := filepath.Join(point, "log/OBD_REPORTS/files/messages-0000000000000000.s2")
	content, err := os.ReadFile(blk)
	if err != nil {
		t.Fatal(err)
	}
	content[len(content)/2] ^= 1
	if err := os.WriteFile(blk, content, 0o600); err != nil {
		t.Fatal(err)
	}
	refused("a damaged file", "log/OBD_REPORTS/files/messages-0000000000000000.s2: its content is not what was written")
	m.DataFormat = dataFormat + 1
	text, _ := json.Marshal(m)
	if err := os.WriteFile(filepath.Join(point, backup.ManifestName), text, 0o600); err != nil {
		t.Fatal(err)
	}
	refused("newer data", fmt.Sprintf("of format %d, made by release %q; this release (%s) knows formats up to %d", dataFormat+1, m.Program, version, dataFormat))
	if _, errs, code := try(t, "backup", "--to", filepath.Join(then, "b"), "--data", then); code != exitFailed || !strings.Contains(errs, "in the data folder") {
		t.Errorf("exit %d: %s", code, errs)
	}
}

// A backup that is killed leaves nothing that looks like one, and the next goes through.
func TestKilledBackup(t *testing.T) {
	reports, roster := simulated(t, 3, 20, 3)
	data, store := filepath.Join(t.TempDir(), "d"), t.TempDir()
	must(t, "import", "--data", data, "--roster", roster, reports)
	rng := rand.New(rand.NewPCG(1, 2))
	cut := 0
	for range 6 {
		cmd := program(t, "backup", "--to", store, "--data", data)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		within(t, time.Minute, "it begins", func() bool {
			begun, _ := filepath.Glob(filepath.Join(store, ".*.part"))
			whole, _ := filepath.Glob(filepath.Join(store, "2*"))
			return len(begun)+len(whole) > 0
		})
		time.Sleep(time.Duration(rng.IntN(40)) * time.Millisecond)
		cmd.Process.Kill()
		cmd.Wait()
		point, m, err := backup.Find(store)
		if err != nil {
			cut++
			continue
		}
		if bad, err := backup.Verify(t.Context(), point, m); err != nil || len(bad) > 0 {
			t.Errorf("a backup that looks whole is not: %v %v", bad, err)
		}
		os.RemoveAll(point)
	}
	t.Logf("%d of 6 were cut short", cut)
	must(t, "backup", "--to", store, "--data", data)
	must(t, "backup", "verify", store)
	if left, _ := filepath.Glob(filepath.Join(store, ".*.part")); len(left) > 0 {
		t.Errorf("left: %v", left)
	}
}
