package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
)

// The roster did not know that a dongle was moved; once it does, what was refused comes in.
func TestQuarantineReplay(t *testing.T) {
	data := filepath.Join(t.TempDir(), "d")
	moved := `{"id":"r-1","device":"dgl-2","vin":"9ZZTEST74RA000123","time":"2026-03-02T09:00:00Z","bus":"can","messages":[{"from":"7E8","data":"46 01 05 10 00 48 00 00 00 60"}]}`
	must(t, "import", "--data", data, "--roster", write(t, "old.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-1\nU2,9ZZTEST7XRA000014,dgl-2\n"), write(t, "r.ndjson", moved+"\ngarbage\n"))
	replay := func(args ...string) (list []map[string]any) {
		t.Helper()
		if err := json.Unmarshal([]byte(must(t, append([]string{"quarantine", "replay", "--data", data, "-o", "json"}, args...)...)), &list); err != nil {
			t.Fatal(err)
		}
		return list
	}
	if l := replay("--all"); len(l) != 2 || l[0]["taken"] != false || l[1]["taken"] != false || !strings.Contains(l[0]["why"].(string), "still unit_mismatch") {
		t.Fatalf("%v", l)
	}
	must(t, "import", "--data", data, "--roster", write(t, "new.csv", "unit,vin,device\nU1,9ZZTEST74RA000123,dgl-2\nU2,9ZZTEST7XRA000014,\n"))
	if l := replay("--reason", "unit_mismatch"); len(l) != 1 || l[0]["taken"] != true || l[0]["report_id"] != "r-1" {
		t.Fatalf("%v", l)
	}
	if r := rows(t, data, "select unit, report_id from readings"); len(r) != 1 || r[0]["unit"] != "U1" {
		t.Errorf("%v", r)
	}
	if left := must(t, "quarantine", "list", "--data", data, "-o", "csv"); strings.Count(left, "\n") != 2 || !strings.Contains(left, "unreadable") {
		t.Errorf("%s", left)
	}
	for _, args := range [][]string{{}, {"--all", "1"}} {
		if _, _, code := try(t, append([]string{"quarantine", "replay", "--data", data}, args...)...); code != exitUsage {
			t.Errorf("%v: exit %d", args, code)
		}
	}
	if _, errs, code := try(t, "quarantine", "replay", "--data", data, "77"); code != exitFailed || !strings.Contains(errs, `"77"`) {
		t.Errorf("exit %d, %s", code, errs)
	}
}
