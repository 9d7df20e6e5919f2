package delivery

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"time"
)

// A Channel takes events to their receiver.
type Channel interface {
	Send(ctx context.Context, e Event) error
}

// An Outbox keeps events until their receiver has taken them.
type Outbox struct {
	db   *sql.DB
	to   Channel
	log  *slog.Logger
	now  func() time.Time
	wake chan struct{}
}

// after is how long to wait after each failed try; about three days in all.
var after = []time.Duration{5 * time.Second, time.Minute, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 24 * time.Hour}

// OpenOutbox makes the table if it is not there. to nil sends nothing and keeps nothing.
func OpenOutbox(ctx context.Context, db *sql.DB, to Channel, log *slog.Logger) (*Outbox, error) {
	_, err := db.ExecContext(ctx, `create table if not exists deliveries (
		id text not null primary key,
		event text not null,
		added_at text not null,
		tries integer not null default 0,
		next_at text not null,          -- '' when taken or given up
		taken_at text not null default '',
		last_error text not null default ''
	)`)
	if err != nil {
		return nil, fmt.Errorf("outbox: %w", err)
	}
	return &Outbox{db: db, to: to, log: log, now: time.Now, wake: make(chan struct{}, 1)}, nil
}

// Add takes events in; one whose id is known is left alone.
func (o *Outbox) Add(ctx context.Context, events ...Event) error {
	if o.to == nil {
		return nil
	}
	for _, e := range events {
		text, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("outbox: %w", err)
		}
		now := stamp(o.now())
		if _, err := o.db.ExecContext(ctx, `insert into deliveries (id, event, added_at, next_at) values (?, ?, ?, ?) on conflict (id) do nothing`, e.ID, string(text), now, now); err != nil {
			return fmt.Errorf("outbox: %w", err)
		}
	}
	select {
	case o.wake <- struct{}{}:
	default:
	}
	return nil
}

// stamp is a time whose text sorts as the time does.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000000Z") }

// Run sends what is due until ctx ends.
func (o *Outbox) Run(ctx context.Context) error {
	tick := time.NewTicker(5 * time.Second)
	defer tick.Stop()
	for {
		if err := o.Flush(ctx); err != nil && ctx.Err() == nil {
			o.log.Error("outbox", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		case <-o.wake:
		}
	}
}

// Flush tries everything that is due once, the oldest first.
func (o *Outbox) Flush(ctx context.Context) error {
	if o.to == nil {
		return nil
	}
	for {
		var id, text string
		var tries int
		err := o.db.QueryRowContext(ctx, `select id, event, tries from deliveries where next_at <> '' and next_at <= ? order by added_at, id limit 1`, stamp(o.now())).Scan(&id, &text, &tries)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("outbox: %w", err)
		}
		var e Event
		if err := json.Unmarshal([]byte(text), &e); err != nil {
			return fmt.Errorf("outbox: event %s: %w", id, err)
		}
		next, taken, why := "", stamp(o.now()), ""
		if err := o.to.Send(ctx, e); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			taken, why = "", err.Error()
			if tries < len(after) {
				next = stamp(o.now().Add(after[tries]))
			}
			o.log.Warn("delivery", "event", id, "try", tries+1, "again", next, "err", err)
		}
		if _, err := o.db.ExecContext(ctx, `update deliveries set tries = tries + 1, next_at = ?, taken_at = ?, last_error = ? where id = ?`, next, taken, why, id); err != nil {
			return fmt.Errorf("outbox: %w", err)
		}
	}
}

// A Sent is one event with what became of it.
type Sent struct {
	ID    string `json:"id"`
	Type  string `json:"type"`
	Unit  string `json:"unit"`
	Tries int    `json:"tries"`
	State string `json:"state"` // waiting, taken or failed
	Error string `json:"error"`
}

// List is the newest events.
func (o *Outbox) List(ctx context.Context, most int) ([]Sent, error) {
	rows, err := o.db.QueryContext(ctx, `select id, event, tries, next_at, taken_at, last_error from deliveries order by added_at desc, id limit ?`, most)
	if err != nil {
		return nil, fmt.Errorf("outbox: %w", err)
	}
	defer rows.Close()
	list := []Sent{}
	for rows.Next() {
		s := Sent{State: "waiting"}
		var text, next, taken string
		if err := rows.Scan(&s.ID, &text, &s.Tries, &next, &taken, &s.Error); err != nil {
			return nil, fmt.Errorf("outbox: %w", err)
		}
		var e Event
		if err := json.Unmarshal([]byte(text), &e); err != nil {
			return nil, fmt.Errorf("outbox: event %s: %w", s.ID, err)
		}
		s.Type, s.Unit = e.Type, e.Subject
		switch {
		case taken != "":
			s.State = "taken"
		case next == "":
			s.State = "failed"
		}
		list = append(list, s)
	}
	return list, rows.Err()
}
