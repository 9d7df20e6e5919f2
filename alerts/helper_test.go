package alerts

import (
	"database/sql"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"marginline/analyze"
)

// open is a book in a new SQLite file, with a clock that stands at day 30.
func open(t *testing.T) (*Book, *sql.DB) {
	t.Helper()
	db := database(t, filepath.Join(t.TempDir(), "state.db"))
	return book(t, db), db
}

func database(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(WAL)&_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1) // as the program does: a query inside a query would hang
	t.Cleanup(func() { db.Close() })
	return db
}

func book(t *testing.T, db *sql.DB) *Book {
	t.Helper()
	b, err := OpenBook(t.Context(), db, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		t.Fatal(err)
	}
	b.SetClock(func() time.Time { return on(30) })
	return b
}

// derive gives the alerts of unit 217 from signals, with a newest reading of each series at day 20.
func derive(signals ...analyze.Signal) []Alert {
	c := Case{Unit: van(), Names: someNames, Signals: signals}
	for _, s := range signals {
		if s.Kind != analyze.Surprise {
			c.Series = append(c.Series, newest(s.Family, s.Key.Test, 20))
		}
	}
	return Derive(c)
}

func evap(kind analyze.Kind, at float64) analyze.Signal { return signal("evap", "m3c.t01", kind, at) }
func cat(at float64) analyze.Signal                     { return signal("catalyst", "m21.t89", analyze.Drift, at) }

func sync(t *testing.T, b *Book, list []Alert) Changes {
	t.Helper()
	ch, err := b.Sync(t.Context(), "217", list)
	if err != nil {
		t.Fatal(err)
	}
	return ch
}

func get(t *testing.T, b *Book, id string) (*Alert, []AuditEntry) {
	t.Helper()
	a, history, err := b.Get(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return a, history
}

func listed(t *testing.T, b *Book, all bool) []Alert {
	t.Helper()
	list, err := b.List(t.Context(), all)
	if err != nil {
		t.Fatal(err)
	}
	return list
}
