package sql

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// A Saved is a query that somebody kept under a name, for everybody.
type Saved struct {
	Name  string // unique, at most 80 characters
	About string // what it answers
	Query string // may hold parameters: $name
	At    time.Time
}

// ErrNotSaved is returned for a name that no query has.
var ErrNotSaved = errors.New("no query is saved under that name")

// A Shelf keeps queries in a table of the state database.
type Shelf struct{ db *sql.DB }

// OpenShelf makes the table where it is missing.
func OpenShelf(ctx context.Context, db *sql.DB) (*Shelf, error) {
	_, err := db.ExecContext(ctx, `CREATE TABLE IF NOT EXISTS saved_queries (
		name TEXT PRIMARY KEY, about TEXT NOT NULL, query TEXT NOT NULL, saved_at INTEGER NOT NULL) STRICT`)
	if err != nil {
		return nil, fmt.Errorf("saved queries: %w", err)
	}
	return &Shelf{db}, nil
}

// List gives the saved queries by name.
func (s *Shelf) List(ctx context.Context) ([]Saved, error) {
	rows, err := s.db.QueryContext(ctx, "SELECT name, about, query, saved_at FROM saved_queries ORDER BY name")
	if err != nil {
		return nil, fmt.Errorf("saved queries: %w", err)
	}
	defer rows.Close()
	var out []Saved
	for rows.Next() {
		var q Saved
		var at int64
		if err := rows.Scan(&q.Name, &q.About, &q.Query, &at); err != nil {
			return nil, fmt.Errorf("saved queries: %w", err)
		}
		q.At = time.UnixMilli(at).UTC()
		out = append(out, q)
	}
	return out, rows.Err()
}

// Get finds one by its name, or gives ErrNotSaved.
func (s *Shelf) Get(ctx context.Context, name string) (Saved, error) {
	q := Saved{Name: name}
	var at int64
	err := s.db.QueryRowContext(ctx, "SELECT about, query, saved_at FROM saved_queries WHERE name = ?", name).Scan(&q.About, &q.Query, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return q, ErrNotSaved
	}
	q.At = time.UnixMilli(at).UTC()
	return q, err
}

// Put keeps a query; one of the same name is replaced.
func (s *Shelf) Put(ctx context.Context, q Saved) error {
	q.Name, q.About = strings.TrimSpace(q.Name), strings.TrimSpace(q.About)
	switch {
	case q.Name == "" || len([]rune(q.Name)) > 80:
		return &Error{Kind: KindInvalid, Message: "a saved query needs a name of 1 to 80 characters"}
	case len(q.About) > 1000 || len(q.Query) > 100_000:
		return &Error{Kind: KindInvalid, Message: "too long to keep: at most 1,000 characters about it and 100,000 of query"}
	case strings.TrimSpace(q.Query) == "":
		return &Error{Kind: KindInvalid, Message: "there is no query to keep"}
	}
	_, err := s.db.ExecContext(ctx, `INSERT INTO saved_queries (name, about, query, saved_at) VALUES (?, ?, ?, ?)
		ON CONFLICT (name) DO UPDATE SET about = excluded.about, query = excluded.query, saved_at = excluded.saved_at`, q.Name, q.About, q.Query, q.At.UnixMilli())
	if err != nil {
		return fmt.Errorf("saved queries: %w", err)
	}
	return nil
}

// Delete forgets a query, or gives ErrNotSaved.
func (s *Shelf) Delete(ctx context.Context, name string) error {
	r, err := s.db.ExecContext(ctx, "DELETE FROM saved_queries WHERE name = ?", name)
	if err != nil {
		return fmt.Errorf("saved queries: %w", err)
	}
	if n, err := r.RowsAffected(); err == nil && n == 0 {
		return ErrNotSaved
	}
	return nil
}
