package people

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// A Change is one row of the record of changes.
type Change struct {
	At     time.Time `json:"at"`
	Who    string    `json:"who"`
	What   string    `json:"what"`
	About  string    `json:"about"`
	Detail string    `json:"detail"`
}

// Note records a change that another stage made. It never holds a secret.
func (r *Register) Note(ctx context.Context, who, what, about, detail string) error {
	return r.write(ctx, func(tx *sql.Tx) error { return r.note(ctx, tx, who, what, about, detail) })
}

func (r *Register) note(ctx context.Context, tx *sql.Tx, who, what, about, detail string) error {
	if who == "" {
		who = "local"
	}
	_, err := tx.ExecContext(ctx, `insert into changes (at, who, what, about, detail) values (?, ?, ?, ?, ?)`, stamp(r.now()), who, what, about, detail)
	return err
}

// Changes are the newest, at most n of them, the newest first.
func (r *Register) Changes(ctx context.Context, n int) ([]Change, error) {
	rows, err := r.db.QueryContext(ctx, `select at, who, what, about, detail from changes order by seq desc limit ?`, n)
	if err != nil {
		return nil, fmt.Errorf("record of changes: %w", err)
	}
	defer rows.Close()
	list := []Change{}
	for rows.Next() {
		var c Change
		var at string
		if err := rows.Scan(&at, &c.Who, &c.What, &c.About, &c.Detail); err != nil {
			return nil, fmt.Errorf("record of changes: %w", err)
		}
		if c.At, err = time.Parse(time.RFC3339Nano, at); err != nil {
			return nil, fmt.Errorf("record of changes: %w", err)
		}
		list = append(list, c)
	}
	return list, rows.Err()
}

// InForce records the settings in force where they differ from those recorded last. text holds no secret.
func (r *Register) InForce(ctx context.Context, text string) error {
	var last string
	err := r.db.QueryRowContext(ctx, `select detail from changes where what = 'settings' order by seq desc limit 1`).Scan(&last)
	if err == nil && last == text {
		return nil
	}
	return r.Note(ctx, "configuration", "settings", "service", text)
}
