package shop

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// ErrNotFound is returned for a fact that is not there.
var ErrNotFound = errors.New("not found")

// A Store keeps facts and the shop file in SQLite. Its methods may be called from many goroutines at once.
type Store struct{ db *sql.DB }

var tables = []string{
	`create table if not exists shop_facts (
		id text not null primary key,
		unit text not null,
		at text not null,
		body text not null,            -- the fact, JSON
		taken_at text not null,
		taken_by text not null,
		back_at text not null default '', -- taken back: when, who, why
		back_by text not null default '',
		back_why text not null default ''
	)`,
	`create index if not exists shop_facts_unit on shop_facts (unit, at)`,
	`create table if not exists shop_files (
		version integer not null primary key,
		text text not null,
		saved_at text not null,
		saved_by text not null
	)`,
	// What was told stays as it was told: a fact is taken back once, with who and why, and files only get newer ones.
	`create trigger if not exists shop_facts_kept before update on shop_facts when old.back_at <> '' or new.id <> old.id or new.body <> old.body
		or new.taken_at <> old.taken_at or new.taken_by <> old.taken_by begin select raise(abort, 'a fact stays as it was told'); end`,
	`create trigger if not exists shop_facts_whole before delete on shop_facts begin select raise(abort, 'a fact stays as it was told'); end`,
	`create trigger if not exists shop_files_kept before update on shop_files begin select raise(abort, 'shop files only get newer ones'); end`,
	`create trigger if not exists shop_files_whole before delete on shop_files begin select raise(abort, 'shop files only get newer ones'); end`,
}

// OpenStore makes the tables if they are not there. The database stays the caller's.
func OpenStore(ctx context.Context, db *sql.DB) (*Store, error) {
	for _, t := range tables {
		if _, err := db.ExecContext(ctx, t); err != nil {
			return nil, fmt.Errorf("shop store: %w", err)
		}
	}
	return &Store{db}, nil
}

// Add takes facts in, all or none, and says how many were new. They have been checked.
func (s *Store) Add(ctx context.Context, facts []Fact, by string, now time.Time) (added int, err error) {
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, fmt.Errorf("shop facts: %w", err)
	}
	for _, f := range facts {
		if f.ID == "" {
			return 0, errors.Join(fmt.Errorf("shop facts: a fact of unit %q was not checked", f.Unit), tx.Rollback())
		}
		body, err := json.Marshal(f)
		if err != nil {
			return 0, errors.Join(err, tx.Rollback())
		}
		res, err := tx.ExecContext(ctx, `insert into shop_facts (id, unit, at, body, taken_at, taken_by) values (?, ?, ?, ?, ?, ?) on conflict (id) do nothing`,
			f.ID, f.Unit, f.At.UTC().Format(time.RFC3339Nano), string(body), now.UTC().Format(time.RFC3339Nano), by)
		if err != nil {
			return 0, errors.Join(fmt.Errorf("shop facts: %w", err), tx.Rollback())
		}
		n, err := res.RowsAffected()
		if err != nil {
			return 0, errors.Join(err, tx.Rollback())
		}
		added += int(n)
	}
	if err := tx.Commit(); err != nil {
		return 0, fmt.Errorf("shop facts: %w", err)
	}
	return added, nil
}

// TakeBack says that a fact was wrong. It stays in the table with who said so and why.
func (s *Store) TakeBack(ctx context.Context, id, who, why string, now time.Time) error {
	if strings.TrimSpace(who) == "" || strings.TrimSpace(why) == "" {
		return errors.New("take a fact back: a name and a reason are needed")
	}
	res, err := s.db.ExecContext(ctx, `update shop_facts set back_at = ?, back_by = ?, back_why = ? where id = ? and back_at = ''`,
		now.UTC().Format(time.RFC3339Nano), who, why, id)
	if err != nil {
		return fmt.Errorf("shop facts: %w", err)
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return errors.Join(err, fmt.Errorf("fact %q: %w, or taken back before", id, ErrNotFound))
	}
	return nil
}

// Facts are those in force of a unit, of all units and parts when unit is "", the newest first.
func (s *Store) Facts(ctx context.Context, unit string) ([]Fact, error) {
	where, args := ``, []any{}
	if unit != "" {
		where, args = ` and unit = ?`, append(args, unit)
	}
	rows, err := s.db.QueryContext(ctx, `select body from shop_facts where back_at = ''`+where+` order by at desc, id`, args...)
	if err != nil {
		return nil, fmt.Errorf("shop facts: %w", err)
	}
	defer rows.Close()
	list := []Fact{}
	for rows.Next() {
		var body string
		var f Fact
		if err := rows.Scan(&body); err != nil {
			return nil, fmt.Errorf("shop facts: %w", err)
		}
		if err := json.Unmarshal([]byte(body), &f); err != nil {
			return nil, fmt.Errorf("shop facts: stored fact: %w", err)
		}
		list = append(list, f)
	}
	return list, rows.Err()
}

// SaveFile checks a shop file and puts it in force as the next version.
func (s *Store) SaveFile(ctx context.Context, text, by string, now time.Time) (*File, error) {
	f, err := ReadFile(strings.NewReader(text))
	if err != nil {
		return nil, err
	}
	if _, err := s.db.ExecContext(ctx, `insert into shop_files (version, text, saved_at, saved_by) select coalesce(max(version), 0) + 1, ?, ?, ? from shop_files`,
		text, now.UTC().Format(time.RFC3339Nano), by); err != nil {
		return nil, fmt.Errorf("shop file: %w", err)
	}
	return f, nil
}

// File is the shop file in force with its text and version; an empty one, version 0, when none was saved.
func (s *Store) File(ctx context.Context) (f *File, text string, version int, err error) {
	err = s.db.QueryRowContext(ctx, `select version, text from shop_files order by version desc limit 1`).Scan(&version, &text)
	if errors.Is(err, sql.ErrNoRows) {
		return &File{}, "", 0, nil
	}
	if err != nil {
		return nil, "", 0, fmt.Errorf("shop file: %w", err)
	}
	f, err = ReadFile(strings.NewReader(text))
	return f, text, version, err
}
