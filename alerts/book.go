package alerts

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Errors of the book; match them with errors.Is.
var (
	ErrNotFound   = errors.New("not found")
	ErrAmbiguous  = errors.New("more than one begins like this")
	ErrTransition = errors.New("not possible in this state")
	ErrInput      = errors.New("incomplete decision")
)

// A Book keeps alerts, what people decided about them, and work orders, in SQLite. What is derived from
// readings and what people decided are separate columns: a replay renews the first and never touches the
// second. Its methods may be called from many goroutines at once. It starts nothing.
type Book struct {
	db     *sql.DB
	log    *slog.Logger
	now    func() time.Time
	raised prometheus.Counter
}

// migrations change the tables step by step; the number of those applied is in alert_schema. Times are
// text, RFC 3339 in UTC.
var migrations = []string{
	`create table alerts (
		id text not null primary key,
		unit text not null,
		facts text not null,                -- derived: the alert and its evidence, JSON
		supported integer not null,         -- derived: 0 when the readings no longer give it
		decision text not null default '',  -- a person's: state, or '' while nobody decided
		decided_until text not null default '', -- when the decision ends by itself, or ''
		explained_by text not null default '',
		order_id text not null default ''
	)`,
	`create index alerts_unit on alerts (unit)`,
	`create table alert_audit (
		seq integer not null primary key,
		alert_id text not null,
		at text not null,
		who text not null,
		from_state text not null,
		to_state text not null,
		why text not null
	)`,
	`create index alert_audit_alert on alert_audit (alert_id)`,
	`create table work_orders (
		id text not null primary key,
		unit text not null,
		ordinal integer not null,           -- of the unit's orders, from 1
		vin text not null,
		created_at text not null,
		created_by text not null,
		unique (unit, ordinal)
	)`,
	`alter table work_orders add column state text not null default 'approved'`,
	`alter table work_orders add column body text not null default '{}'`, // what people decided and wrote, JSON
	`create table order_audit (
		seq integer not null primary key,
		order_id text not null,
		at text not null,
		who text not null,
		from_state text not null,
		to_state text not null,
		why text not null,
		body text not null
	)`,
	`create index order_audit_order on order_audit (order_id)`,
	`create trigger order_audit_kept before update on order_audit begin select raise(abort, 'the history takes new rows only'); end`,
	`create trigger order_audit_whole before delete on order_audit begin select raise(abort, 'the history takes new rows only'); end`,
	`create trigger alert_audit_kept before update on alert_audit begin select raise(abort, 'the history takes new rows only'); end`,
	`create trigger alert_audit_whole before delete on alert_audit begin select raise(abort, 'the history takes new rows only'); end`,
}

// OpenBook brings the tables up to date. The database stays the caller's, who also registers the driver and
// sets its pragmas. reg may be nil.
func OpenBook(ctx context.Context, db *sql.DB, log *slog.Logger, reg prometheus.Registerer) (*Book, error) {
	b := &Book{db: db, log: log, now: time.Now, raised: prometheus.NewCounter(prometheus.CounterOpts{
		Name: "marginline_alerts_raised_total", Help: "Alerts that entered the book.",
	})}
	if err := b.migrate(ctx); err != nil {
		return nil, fmt.Errorf("alert book: %w", err)
	}
	if reg != nil {
		for _, c := range []prometheus.Collector{b.raised, &gauge{b}} {
			if err := reg.Register(c); err != nil {
				return nil, fmt.Errorf("alert book: metrics: %w", err)
			}
		}
	}
	return b, nil
}

// SetClock replaces the clock that dates decisions and ends them. Call it before the book is used.
func (b *Book) SetClock(now func() time.Time) { b.now = now }

func (b *Book) migrate(ctx context.Context) error {
	return b.change(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `create table if not exists alert_schema (version integer not null)`); err != nil {
			return err
		}
		var done int
		if err := tx.QueryRowContext(ctx, `select coalesce(max(version), 0) from alert_schema`).Scan(&done); err != nil {
			return err
		}
		if done > len(migrations) {
			return fmt.Errorf("tables have version %d, this program knows up to %d", done, len(migrations))
		}
		for i, m := range migrations[done:] {
			if _, err := tx.ExecContext(ctx, m); err != nil {
				return fmt.Errorf("migration %d: %w", done+i+1, err)
			}
			if _, err := tx.ExecContext(ctx, `insert into alert_schema (version) values (?)`, done+i+1); err != nil {
				return err
			}
		}
		return nil
	})
}

// change runs f in one transaction: all of it or nothing.
func (b *Book) change(ctx context.Context, f func(tx *sql.Tx) error) error {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// detector is who the audit names for what follows from readings.
const detector = "detector"

// An AuditEntry is one step in an alert's history.
type AuditEntry struct {
	At   time.Time `json:"at"`
	Who  string    `json:"who"`
	From State     `json:"from"` // "" for the first
	To   State     `json:"to"`
	Why  string    `json:"why"`
}

func (b *Book) note(ctx context.Context, tx *sql.Tx, id string, e AuditEntry) error {
	_, err := tx.ExecContext(ctx, `insert into alert_audit (alert_id, at, who, from_state, to_state, why) values (?, ?, ?, ?, ?, ?)`,
		id, stamp(e.At), e.Who, string(e.From), string(e.To), e.Why)
	return err
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// date reads what stamp wrote; nil for "".
func date(s string) (*time.Time, error) {
	if s == "" {
		return nil, nil
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return nil, err
	}
	return &t, nil
}
