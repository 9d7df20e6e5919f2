package delivery

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// An Outbox keeps events until their receivers have taken them.
type Outbox struct {
	db      *sql.DB
	targets []Target
	log     *slog.Logger
	now     func() time.Time
	wake    map[string]chan struct{} // by target
	done    *prometheus.CounterVec
}

// after is how long to wait after each failed try; about three days in all.
var after = []time.Duration{5 * time.Second, time.Minute, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 24 * time.Hour}

const (
	beat     = 5 * time.Second     // between two looks for what is due
	keepFor  = 30 * 24 * time.Hour // rows leave the table at this age
	sendTime = 20 * time.Second    // the most that one try takes
	lastTime = 5 * time.Second     // what a try under way still gets when the service ends
)

// OpenOutbox makes the table if it is not there. reg may be nil. Without targets nothing is kept.
func OpenOutbox(ctx context.Context, db *sql.DB, targets []Target, log *slog.Logger, reg prometheus.Registerer) (*Outbox, error) {
	o := &Outbox{db: db, targets: targets, log: log, now: time.Now, wake: map[string]chan struct{}{}}
	for _, t := range targets {
		if o.wake[t.Name] != nil {
			return nil, fmt.Errorf("outbox: two receivers are named %q", t.Name)
		}
		o.wake[t.Name] = make(chan struct{}, 1)
	}
	for _, step := range []string{
		`create table if not exists outbox (
			target text not null,
			id text not null,
			event text not null,
			added_at text not null,
			due_at text not null,           -- of the first try, quiet hours reckoned with
			tries integer not null default 0,
			tried_at text not null default '',
			next_at text not null,          -- '' when taken or given up
			taken_at text not null default '',
			said text not null default '',  -- by the receiver
			error text not null default '', -- of the last try
			primary key (target, id)
		)`,
		`create index if not exists outbox_next on outbox (target, next_at)`,
	} {
		if _, err := db.ExecContext(ctx, step); err != nil {
			return nil, fmt.Errorf("outbox: %w", err)
		}
	}
	if err := o.adopt(ctx); err != nil {
		return nil, fmt.Errorf("outbox: the table of an older release: %w", err)
	}
	return o, o.count(reg)
}

// adopt takes over the table of a release that knew one receiver only.
func (o *Outbox) adopt(ctx context.Context) error {
	var n int
	if err := o.db.QueryRowContext(ctx, `select count(*) from sqlite_master where type = 'table' and name = 'deliveries'`).Scan(&n); err != nil || n == 0 {
		return err
	}
	tx, err := o.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	for _, step := range []string{
		`insert into outbox (target, id, event, added_at, due_at, tries, next_at, taken_at, error)
			select '` + WayWebhook + `', id, event, added_at, added_at, tries, next_at, taken_at, last_error from deliveries where true on conflict do nothing`,
		`drop table deliveries`,
	} {
		if _, err := tx.ExecContext(ctx, step); err != nil {
			return errors.Join(err, tx.Rollback())
		}
	}
	return tx.Commit()
}

// Add takes events in for every target that wants them; one whose id is known is left alone.
func (o *Outbox) Add(ctx context.Context, events ...Event) error {
	for i := range o.targets {
		for _, e := range events {
			if err := o.add(ctx, &o.targets[i], e); err != nil {
				return err
			}
		}
	}
	return nil
}

// AddTo takes an event in for one target.
func (o *Outbox) AddTo(ctx context.Context, target string, e Event) error {
	t := o.target(target)
	if t == nil {
		return fmt.Errorf("outbox: %q: %w", target, ErrNoTarget)
	}
	return o.add(ctx, t, e)
}

func (o *Outbox) add(ctx context.Context, t *Target, e Event) error {
	now := o.now()
	due, wanted := t.due(e, now)
	if !wanted {
		return nil
	}
	text, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	if _, err := o.db.ExecContext(ctx, `insert into outbox (target, id, event, added_at, due_at, next_at) values (?, ?, ?, ?, ?, ?) on conflict do nothing`,
		t.Name, e.ID, string(text), stamp(now), stamp(due), stamp(due)); err != nil {
		return fmt.Errorf("outbox: %w", err)
	}
	select {
	case o.wake[t.Name] <- struct{}{}:
	default:
	}
	return nil
}

func (o *Outbox) target(name string) *Target {
	for i := range o.targets {
		if o.targets[i].Name == name {
			return &o.targets[i]
		}
	}
	return nil
}

// stamp is a time whose text sorts as the time does.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000000Z") }

// Run sends what is due until ctx ends, each target by itself.
func (o *Outbox) Run(ctx context.Context) error {
	var all sync.WaitGroup
	for i := range o.targets {
		all.Go(func() { o.serve(ctx, &o.targets[i]) })
	}
	defer all.Wait()
	for {
		if _, err := o.db.ExecContext(ctx, `delete from outbox where added_at < ?`, stamp(o.now().Add(-keepFor))); err != nil && ctx.Err() == nil {
			o.log.Error("outbox", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Hour):
		}
	}
}

func (o *Outbox) serve(ctx context.Context, t *Target) {
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for {
		if err := o.flush(ctx, t); err != nil && ctx.Err() == nil {
			o.log.Error("outbox", "to", t.Name, "err", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-o.wake[t.Name]:
		}
	}
}

// Flush tries everything that is due, the oldest first, each target up to its first failure.
func (o *Outbox) Flush(ctx context.Context) error {
	var errs []error
	for i := range o.targets {
		errs = append(errs, o.flush(ctx, &o.targets[i]))
	}
	return errors.Join(errs...)
}
