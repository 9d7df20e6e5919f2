package ingest

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"marginline/ingest/fleet"
	"marginline/ingest/report"
)

func rosterOf(t *testing.T, unit, vin, device string) *fleet.Roster {
	t.Helper()
	r, err := fleet.New([]fleet.Unit{{Unit: unit, VIN: vin, Device: device}})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestImport(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	var lines []string
	for i := range 2500 {
		lines = append(lines, reportOf(fmt.Sprint("r", i), "dgl-a", vinA, time.Date(2026, 1, 1, i, 0, 0, 0, time.UTC).Format(time.RFC3339), result))
	}
	plain := strings.Join(lines, "\r\n")
	var zipped, zst bytes.Buffer
	g := gzip.NewWriter(&zipped)
	io.WriteString(g, plain)
	g.Close()
	z, err := zstd.NewWriter(&zst)
	if err != nil {
		t.Fatal(err)
	}
	io.WriteString(z, plain)
	z.Close()
	im := NewImporter(h.broker)
	steps := 0
	im.Progress = func(done Imported) {
		if steps++; done.Reports == 0 || done.Bytes == 0 || done.LastSeq == 0 {
			t.Errorf("%+v", done)
		}
	}
	var got Imported
	for i, in := range []io.Reader{&zipped, &zst, strings.NewReader(plain)} {
		if got, err = im.Import(t.Context(), in); err != nil || got.Reports != 2500*(i+1) || got.Unreadable != 0 {
			t.Fatalf("file %d: %+v, %v", i, got, err)
		}
	}
	if steps != 9 || got.LastSeq != 7500 {
		t.Errorf("%d steps, last %d", steps, got.LastSeq)
	}
	if err := h.consumer.Committed(t.Context(), got.LastSeq); err != nil {
		t.Fatal(err)
	}
	if n := len(h.stored()); n != 2500 {
		t.Errorf("%d reports, want 2500", n)
	}
	if c := h.consumer.Counts(); c.Duplicates != 5000 || c.Reports != 2500 {
		t.Errorf("%+v", c)
	}
}

// A line that is no report is not lost, and one whose clock is wrong stands behind what came before it.
func TestImport_BadLines(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	long := `{"id":"` + strings.Repeat("x", report.MaxBytes) + `"}`
	future := time.Now().AddDate(1, 0, 0).UTC().Format(time.RFC3339)
	lines := []string{
		reportOf("first", "dgl-a", vinA, "1970-01-01T00:00:05Z", result), // nothing before it: the log's own time
		reportOf("b", "dgl-b", vinB, "2026-02-01T00:00:00Z", result),
		"\xff\xfenot json",
		reportOf("late", "dgl-a", vinA, "2026-01-15T00:00:00Z", result), // older than the newest: moves nothing
		reportOf("wrong", "dgl-a", vinA, "1970-01-01T00:00:06Z", result),
		long,
		reportOf("ahead", "dgl-a", vinA, future, result),
		reportOf("gap", "dgl-a", vinA, "2026-06-01T00:00:00Z", result),
		`{"device":"dgl-a"}`,
		reportOf("wrong2", "dgl-b", vinB, "1970-01-01T00:00:07Z", result),
	}
	before := time.Now().Add(-time.Second)
	got, err := NewImporter(h.broker).Import(t.Context(), strings.NewReader(strings.Join(lines, "\n")))
	if err != nil || got.Reports != len(lines) || got.Unreadable != 3 || got.Bytes < int64(len(long)) {
		t.Fatalf("%+v, %v", got, err)
	}
	h.settled()
	polls := h.stored()
	for id, want := range map[string]string{"b": "2026-02-01", "late": "2026-01-15", "wrong": "2026-02-01", "ahead": "2026-02-01", "gap": "2026-06-01", "wrong2": "2026-06-01"} {
		p := polls[id]
		if p == nil {
			t.Errorf("%s: not stored", id)
			continue
		}
		if at := p.ReadAt.Format(time.DateOnly); at != want || p.ClockOK != (id == "b" || id == "late" || id == "gap") {
			t.Errorf("%s: placed at %s, clock good %v: want %s", id, at, p.ClockOK, want)
		}
	}
	if p := polls["first"]; p == nil || p.ClockOK || p.ReadAt.Before(before) {
		t.Errorf("first: %+v", p)
	}
	q := h.quarantined()
	if len(q) != 3 || string(q[0].Raw) != lines[2] || q[0].Device != unreadableDevice || !strings.HasPrefix(long, string(q[1].Raw)) || len(q[1].Raw) != report.MaxBytes ||
		q[2].Device != "dgl-a" || Reason(q[2].Reason) != MissingField {
		for _, e := range q {
			t.Errorf("%s %s %s %.40q", e.Device, e.Reason, e.Detail, e.Raw)
		}
	}
}

// A file that ends early is an error that says where; what came before it is in.
func TestImport_CutFile(t *testing.T) {
	h := newHouse(t)
	h.run(nil)
	var zipped bytes.Buffer
	g := gzip.NewWriter(&zipped)
	for i := range 3 {
		fmt.Fprintln(g, reportOf(fmt.Sprint("r", i), "dgl-a", vinA, when, result))
	}
	g.Flush()
	got, err := NewImporter(h.broker).Import(t.Context(), &zipped)
	if err == nil || !strings.Contains(err.Error(), "after line 3") || got.Reports != 3 {
		t.Fatalf("%+v, %v", got, err)
	}
	h.settled()
	if n := len(h.stored()); n != 3 {
		t.Errorf("%d reports", n)
	}
}

func TestPrintable(t *testing.T) {
	for raw, want := range map[string]bool{"{\"id\":\"é\"}\r\n\t": true, "": true, "\x00": false, "\xff": false, "a\x1b[2J": false} {
		if Printable([]byte(raw)) != want {
			t.Errorf("%q: want %v", raw, want)
		}
	}
}
