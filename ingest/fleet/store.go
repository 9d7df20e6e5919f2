package fleet

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// A Store keeps the roster in a SQL database. It uses SQLite's dialect at its plainest; the driver is
// registered by whoever opens the database.
type Store struct{ db *sql.DB }

// table holds one row a unit. The columns are those of the file, absent cells are null, dates are text
// (2026-03-02), columns we do not know are one JSON object in extra, and saved_at is when the roster
// that holds the row was saved.
const table = "roster"

func tableColumns() []string {
	var names []string
	for _, c := range columns {
		names = append(names, c.name)
	}
	return append(names, "extra", "saved_at")
}

// OpenStore makes the table if it is not there. The database stays the caller's.
func OpenStore(ctx context.Context, db *sql.DB) (*Store, error) {
	var defs []string
	u := NewUnit("")
	for _, c := range columns {
		kind := "text"
		if c.read(&u, "1") == nil && c.read(&u, "x") != nil { // takes numbers and no words
			kind = "double precision"
		}
		if c.name == "unit" {
			kind += " not null primary key"
		}
		defs = append(defs, c.name+" "+kind)
	}
	defs = append(defs, "extra text", "saved_at text not null")
	if _, err := db.ExecContext(ctx, "create table if not exists "+table+" (\n\t"+strings.Join(defs, ",\n\t")+"\n)"); err != nil {
		return nil, fmt.Errorf("roster: create table: %w", err)
	}
	return &Store{db}, nil
}

// Save replaces the roster, as one transaction: a reader sees the old one or the new one.
func (s *Store) Save(ctx context.Context, r *Roster, at time.Time) error {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("roster: save: %w", err)
	}
	if err := replace(ctx, tx, r, at); err != nil {
		return errors.Join(fmt.Errorf("roster: save: %w", err), tx.Rollback())
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("roster: save: %w", err)
	}
	return nil
}

func replace(ctx context.Context, tx *sql.Tx, r *Roster, at time.Time) error {
	if _, err := tx.ExecContext(ctx, "delete from "+table); err != nil {
		return err
	}
	names := tableColumns()
	insert, err := tx.PrepareContext(ctx, fmt.Sprintf("insert into %s (%s) values (?%s)", table, strings.Join(names, ", "), strings.Repeat(", ?", len(names)-1)))
	if err != nil {
		return err
	}
	defer insert.Close()
	for _, u := range r.Units() {
		args := make([]any, 0, len(names))
		for _, c := range columns {
			if cell := c.write(u); cell != "" {
				args = append(args, cell)
			} else {
				args = append(args, nil)
			}
		}
		var extra any
		if len(u.Extra) > 0 {
			text, err := json.Marshal(u.Extra)
			if err != nil {
				return err
			}
			extra = string(text)
		}
		if _, err := insert.ExecContext(ctx, append(args, extra, at.UTC().Format(time.RFC3339))...); err != nil {
			return fmt.Errorf("unit %q: %w", u.Unit, err)
		}
	}
	return nil
}

// Load reads the roster; an empty one when none was saved.
func (s *Store) Load(ctx context.Context) (*Roster, error) {
	rows, err := s.db.QueryContext(ctx, fmt.Sprintf("select %s from %s order by unit", strings.Join(tableColumns(), ", "), table))
	if err != nil {
		return nil, fmt.Errorf("roster: load: %w", err)
	}
	defer rows.Close()
	r := empty()
	cells := make([]sql.NullString, len(columns)+2)
	into := make([]any, len(cells))
	for i := range cells {
		into[i] = &cells[i]
	}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return nil, fmt.Errorf("roster: load: %w", err)
		}
		u := NewUnit("")
		for i, c := range columns {
			if cells[i].Valid {
				if err := c.read(&u, cells[i].String); err != nil {
					return nil, fmt.Errorf("roster: load: unit %q: %s %q: %w", cells[0].String, c.name, cells[i].String, err)
				}
			}
		}
		if extra := cells[len(columns)]; extra.Valid {
			if err := json.Unmarshal([]byte(extra.String), &u.Extra); err != nil {
				return nil, fmt.Errorf("roster: load: unit %q: extra: %w", u.Unit, err)
			}
		}
		if err := r.add(u); err != nil {
			return nil, fmt.Errorf("roster: load: %w", err)
		}
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("roster: load: %w", err)
	}
	r.sort()
	return r, nil
}

// SavedAt is when the roster was saved; zero when there is none.
func (s *Store) SavedAt(ctx context.Context) (time.Time, error) {
	var at sql.NullString
	if err := s.db.QueryRowContext(ctx, "select max(saved_at) from "+table).Scan(&at); err != nil {
		return time.Time{}, fmt.Errorf("roster: %w", err)
	}
	if !at.Valid {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, at.String)
	if err != nil {
		return time.Time{}, fmt.Errorf("roster: saved_at: %w", err)
	}
	return t, nil
}
