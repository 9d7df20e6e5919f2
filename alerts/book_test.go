package alerts

import (
	"errors"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"marginline/analyze"
)

// What goes into the book comes out, and the same again changes nothing: no row, no history, no alert twice.
func TestSyncTwice(t *testing.T) {
	b, db := open(t)
	list := derive(evap(analyze.Drift, 10), cat(12), ended(signal("vvt", "m35.t80", analyze.Drift, 3), 9, "recovered"))
	ch := sync(t, b, list)
	if len(ch.Raised) != 3 {
		t.Fatalf("raised %v", ch.Raised)
	}
	if d := cmp.Diff(list, listed(t, b, true)); d != "" {
		t.Error(d)
	}
	if open := listed(t, b, false); len(open) != 2 {
		t.Errorf("%d open, want 2", len(open))
	}
	history := func() (n int) {
		if err := db.QueryRow(`select count(*) from alert_audit`).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := history()
	for range 3 {
		if ch := sync(t, b, list); ch.Any() {
			t.Errorf("changed: %+v", ch)
		}
	}
	if after := history(); after != before {
		t.Errorf("%d steps in the history, then %d", before, after)
	}
}

func TestSyncStates(t *testing.T) {
	drift := derive(evap(analyze.Drift, 10))
	id := drift[0].ID
	recovered := derive(ended(evap(analyze.Drift, 10), 18, "recovered"))
	failed := derive(evap(analyze.Drift, 10), evap(analyze.Failed, 19))
	type step struct {
		name string
		do   func(t *testing.T, b *Book)
		want State
	}
	puts := func(list []Alert) func(*testing.T, *Book) {
		return func(t *testing.T, b *Book) { sync(t, b, list) }
	}
	says := func(f func(b *Book) error) func(*testing.T, *Book) {
		return func(t *testing.T, b *Book) {
			if err := f(b); err != nil {
				t.Fatal(err)
			}
		}
	}
	ack := says(func(b *Book) error { return b.Acknowledge(t.Context(), id, "Bram", "", time.Time{}) })
	explained := says(func(b *Book) error {
		return b.Explain(t.Context(), id, "Orrin", "filled up on a hot evening", time.Time{})
	})
	muted := says(func(b *Book) error { return b.Mute(t.Context(), id, "Orrin", "sensor on order", on(40)) })
	closed := says(func(b *Book) error { return b.Close(t.Context(), id, "Bram", "cap replaced") })
	ordered := says(func(b *Book) error { _, err := b.Order(t.Context(), id, "Senna", on(30)); return err })
	later := func(t *testing.T, b *Book) { b.SetClock(func() time.Time { return on(40) }) }

	for name, steps := range map[string][]step{
		"life": {{"raised", puts(drift), Open}, {"seen", ack, Acknowledged}, {"new figures", puts(failed), Acknowledged}, {"recovered", puts(recovered), Closed}},
		"withdrawn and back": {{"raised", puts(drift), Open}, {"late data", puts(nil), Withdrawn}, {"again", puts(nil), Withdrawn},
			{"later data", puts(drift), Open}},
		"a decision survives a withdrawal": {{"raised", puts(drift), Open}, {"seen", ack, Acknowledged}, {"late data", puts(nil), Withdrawn}, {"back", puts(drift), Acknowledged}},
		"closed stays closed":              {{"raised", puts(drift), Open}, {"closed", closed, Closed}, {"worse", puts(failed), Closed}, {"late data", puts(nil), Closed}, {"back", puts(drift), Closed}},
		"recovery taken back":              {{"raised", puts(recovered), Closed}, {"late data", puts(drift), Open}},
		"explained, then failed":           {{"raised", puts(drift), Open}, {"explained", explained, Explained}, {"replay", puts(drift), Explained}, {"failed", puts(failed), Open}, {"again", puts(failed), Open}},
		"explained as failed stays":        {{"raised", puts(failed), Open}, {"explained", explained, Explained}, {"replay", puts(failed), Explained}},
		"mute ends by itself":              {{"raised", puts(drift), Open}, {"muted", muted, Muted}, {"time", later, Open}, {"replay", puts(drift), Open}},
		"muted, then failed":               {{"raised", puts(drift), Open}, {"muted", muted, Muted}, {"failed", puts(failed), Open}},
		"ordered":                          {{"raised", puts(drift), Open}, {"ordered", ordered, Ordered}, {"failed", puts(failed), Ordered}, {"recovered", puts(recovered), Closed}},
		"ordered, withdrawn":               {{"raised", puts(drift), Open}, {"ordered", ordered, Ordered}, {"late data", puts(nil), Withdrawn}},
	} {
		t.Run(name, func(t *testing.T) {
			b, _ := open(t)
			for _, s := range steps {
				s.do(t, b)
				a, history := get(t, b, id)
				if a.State != s.want {
					t.Fatalf("%s: %s, want %s", s.name, a.State, s.want)
				}
				in := slices.ContainsFunc(listed(t, b, false), func(a Alert) bool { return a.ID == id })
				if in != (s.want != Closed && s.want != Withdrawn) {
					t.Errorf("%s: in the list of open ones: %v", s.name, in)
				}
				if !slices.ContainsFunc(listed(t, b, true), func(a Alert) bool { return a.ID == id }) {
					t.Errorf("%s: not in the list of all", s.name)
				}
				if last := history[len(history)-1]; last.To != s.want && s.name != "time" && s.name != "replay" {
					t.Errorf("%s: history ends with %+v", s.name, last)
				}
			}
			_, history := get(t, b, id)
			for i := 1; i < len(history); i++ {
				if history[i].From != history[i-1].To && name != "mute ends by itself" {
					t.Errorf("history is broken at step %d: %+v after %+v", i, history[i], history[i-1])
				}
			}
		})
	}
}

// Only the unit in hand is touched.
func TestSyncOneUnit(t *testing.T) {
	b, _ := open(t)
	sync(t, b, derive(evap(analyze.Drift, 10)))
	if _, err := b.Sync(t.Context(), "218", nil); err != nil {
		t.Fatal(err)
	}
	if len(listed(t, b, false)) != 1 {
		t.Error("another unit's alert went")
	}
	if _, err := b.Sync(t.Context(), "218", derive(cat(1))); err == nil || !strings.Contains(err.Error(), `unit "217"`) {
		t.Errorf("an alert of another unit: %v", err)
	}
	if len(listed(t, b, true)) != 1 {
		t.Error("a refused sync left something")
	}
	if units, err := b.Units(t.Context()); err != nil || !slices.Equal(units, []string{"217"}) {
		t.Errorf("units %v, %v", units, err)
	}
}

// A new process finds the book as it was, and tables that exist are left alone.
func TestReopen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.db")
	db := database(t, path)
	b := book(t, db)
	list := derive(evap(analyze.Drift, 10), cat(12))
	sync(t, b, list)
	if err := b.Explain(t.Context(), list[0].ID, "Orrin", "hot week", time.Time{}); err != nil {
		t.Fatal(err)
	}
	want := listed(t, b, true)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	b = book(t, database(t, path))
	if d := cmp.Diff(want, listed(t, b, true)); d != "" {
		t.Error(d)
	}
	if ch := sync(t, b, list); ch.Any() {
		t.Errorf("a restart changed %+v", ch)
	}
}

func TestNewerTables(t *testing.T) {
	_, db := open(t)
	if _, err := db.Exec(`insert into alert_schema (version) values (999)`); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenBook(t.Context(), db, slog.New(slog.DiscardHandler), nil); err == nil || !strings.Contains(err.Error(), "999") {
		t.Errorf("tables of a newer program: %v", err)
	}
}

func TestDecide(t *testing.T) {
	b, _ := open(t)
	list := derive(evap(analyze.Drift, 10))
	id := list[0].ID
	sync(t, b, list)
	if err := b.Explain(t.Context(), strings.ToLower(id[:6]), " Orrin ", "hot week", time.Time{}); err != nil {
		t.Fatal(err)
	}
	a, history := get(t, b, id)
	if a.ExplainedBy == nil || *a.ExplainedBy != "hot week" {
		t.Errorf("explained by %v", a.ExplainedBy)
	}
	want := []AuditEntry{
		{At: on(10), Who: detector, To: Open, Why: list[0].Reason},
		{At: on(30), Who: "Orrin", From: Open, To: Explained, Why: "hot week"},
	}
	if d := cmp.Diff(want, history); d != "" {
		t.Error(d)
	}
}

func TestDecide_Failure(t *testing.T) {
	b, _ := open(t)
	list := derive(evap(analyze.Drift, 10), cat(12), ended(signal("vvt", "m35.t80", analyze.Drift, 3), 9, "recovered"))
	sync(t, b, list)
	id := func(family string) string {
		return list[slices.IndexFunc(list, func(a Alert) bool { return a.Family == family })].ID
	}
	if _, err := b.Order(t.Context(), id("catalyst"), "Senna", on(30)); err != nil {
		t.Fatal(err)
	}
	ctx, never := t.Context(), time.Time{}
	if err := b.Close(ctx, id("evap"), "Bram", "found"); err != nil {
		t.Fatal(err)
	}
	before := listed(t, b, true)
	for name, c := range map[string]struct {
		err  error
		is   error
		says string
	}{
		"unknown":        {b.Acknowledge(ctx, "a-ZZZZ", "Bram", "", never), ErrNotFound, "a-ZZZZ"},
		"empty":          {b.Acknowledge(ctx, "", "Bram", "", never), ErrNotFound, ""},
		"like pattern":   {b.Acknowledge(ctx, "a-%", "Bram", "", never), ErrNotFound, ""},
		"ambiguous":      {b.Acknowledge(ctx, "a-", "Bram", "", never), ErrAmbiguous, "3 alerts"},
		"nobody":         {b.Acknowledge(ctx, id("vvt"), " ", "", never), ErrInput, "nobody"},
		"no reason":      {b.Explain(ctx, id("catalyst"), "Bram", " ", never), ErrInput, "reason"},
		"mute no end":    {b.Mute(ctx, id("catalyst"), "Bram", "x", never), ErrInput, "end date"},
		"mute past":      {b.Mute(ctx, id("catalyst"), "Bram", "x", on(29)), ErrInput, "not after now"},
		"recovered":      {b.Acknowledge(ctx, id("vvt"), "Bram", "", never), ErrTransition, "is closed"},
		"closed":         {b.Explain(ctx, id("evap"), "Bram", "x", never), ErrTransition, "is closed"},
		"closed twice":   {b.Close(ctx, id("evap"), "Bram", "x"), ErrTransition, "is closed"},
		"ordered, muted": {b.Mute(ctx, id("catalyst"), "Bram", "x", on(40)), ErrTransition, "is ordered"},
	} {
		if !errors.Is(c.err, c.is) || !strings.Contains(c.err.Error(), c.says) {
			t.Errorf("%s: %v, want %v with %q", name, c.err, c.is, c.says)
		}
	}
	if d := cmp.Diff(before, listed(t, b, true)); d != "" {
		t.Errorf("a refused decision changed the book: %s", d)
	}
	if _, _, err := b.Get(ctx, "a-nope"); !errors.Is(err, ErrNotFound) {
		t.Errorf("get: %v", err)
	}
}

// Readers and writers at once: the book answers them all, and no alert is raised twice.
func TestConcurrent(t *testing.T) {
	b, _ := open(t)
	list := derive(evap(analyze.Drift, 10), cat(12))
	errs := make(chan error)
	const n = 8
	for i := range n {
		go func() {
			if i%2 == 0 {
				_, err := b.List(t.Context(), true)
				errs <- err
				return
			}
			_, err := b.Sync(t.Context(), "217", list)
			errs <- err
		}()
	}
	for range n {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	if got := len(listed(t, b, true)); got != 2 {
		t.Errorf("%d alerts", got)
	}
	if _, history := get(t, b, list[0].ID); len(history) != 1 {
		t.Errorf("history %+v", history)
	}
}

func TestMetrics(t *testing.T) {
	_, db := open(t)
	reg := prometheus.NewRegistry()
	b, err := OpenBook(t.Context(), db, slog.New(slog.DiscardHandler), reg)
	if err != nil {
		t.Fatal(err)
	}
	list := derive(evap(analyze.Drift, 10), cat(12), ended(signal("vvt", "m35.t80", analyze.Drift, 3), 9, "recovered"))
	for range 2 {
		sync(t, b, list)
	}
	want := `
# HELP marginline_alerts Alerts in the book.
# TYPE marginline_alerts gauge
marginline_alerts{consequence="cost",kind="drift",state="closed"} 1
marginline_alerts{consequence="cost",kind="drift",state="open"} 2
# HELP marginline_alerts_raised_total Alerts that entered the book.
# TYPE marginline_alerts_raised_total counter
marginline_alerts_raised_total 3
`
	if err := testutil.GatherAndCompare(reg, strings.NewReader(want)); err != nil {
		t.Error(err)
	}
}
