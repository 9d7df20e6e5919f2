package alerts

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// A record is one row of the book: what the readings say and what people decided.
type record struct {
	id        string
	facts     string // JSON of facts: equal text, equal facts
	alert     Alert  // of facts; its human parts are empty
	supported bool

	decision  State
	until     *time.Time
	explained string
	order     string
}

// facts is the derived part of an alert as it is stored.
type facts struct {
	Alert
	EndedAt  *time.Time `json:"ended_at"`
	Evidence []Evidence `json:"evidence"`
}

// recordOf is a fresh row for a derived alert.
func recordOf(a Alert) (*record, error) {
	a.State, a.OrderID = "", nil
	text, err := json.Marshal(facts{a, a.EndedAt, a.Evidence})
	if err != nil {
		return nil, fmt.Errorf("alert %s: %w", a.ID, err)
	}
	return &record{id: a.ID, facts: string(text), alert: a, supported: true}, nil
}

// state is where the alert stands at a time: what a person decided counts while it lasts and the readings
// still support the alert.
func (r *record) state(now time.Time) State {
	switch {
	case r.decision == Closed:
		return Closed
	case !r.supported:
		return Withdrawn
	case r.alert.EndedAt != nil:
		return Closed
	case r.decision == "" || r.until != nil && !now.Before(*r.until):
		if r.alert.ExplainedBy != nil { // by the whole cohort, or by what the results far out have in common
			return Explained
		}
		return Open
	}
	return r.decision
}

// shown is the alert as readers see it.
func (r *record) shown(now time.Time) Alert {
	a := r.alert
	a.State = r.state(now)
	if r.explained != "" {
		s := r.explained
		a.ExplainedBy = &s
	}
	if r.order != "" {
		s := r.order
		a.OrderID = &s
	}
	return a
}

// queryer is a database or a transaction.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// records reads the rows that fit a condition, by id.
func records(ctx context.Context, q queryer, where string, args ...any) ([]*record, error) {
	rows, err := q.QueryContext(ctx, `select id, facts, supported, decision, decided_until, explained_by, order_id from alerts `+where+` order by id`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []*record
	for rows.Next() {
		r := &record{}
		var until string
		if err := rows.Scan(&r.id, &r.facts, &r.supported, &r.decision, &until, &r.explained, &r.order); err != nil {
			return nil, err
		}
		var f facts
		if err := json.Unmarshal([]byte(r.facts), &f); err != nil {
			return nil, fmt.Errorf("alert %s: stored facts: %w", r.id, err)
		}
		if r.until, err = date(until); err != nil {
			return nil, fmt.Errorf("alert %s: end of decision: %w", r.id, err)
		}
		r.alert = f.Alert
		r.alert.EndedAt, r.alert.Evidence = f.EndedAt, f.Evidence
		out = append(out, r)
	}
	return out, rows.Err()
}

// find is the one row whose id is, or begins like, name; upper and lower case are the same.
func find(ctx context.Context, q queryer, name string) (*record, error) {
	id := strings.ToUpper(strings.TrimSpace(name))
	if id == "" {
		return nil, fmt.Errorf("alert %q: %w", name, ErrNotFound)
	}
	list, err := records(ctx, q, `where substr(upper(id), 1, ?) = ?`, len(id), id)
	if err != nil {
		return nil, err
	}
	switch len(list) {
	case 0:
		return nil, fmt.Errorf("alert %q: %w; see 'alerts list --all'", name, ErrNotFound)
	case 1:
		return list[0], nil
	}
	for _, r := range list {
		if strings.ToUpper(r.id) == id {
			return r, nil
		}
	}
	return nil, fmt.Errorf("alert %q: %w (%d alerts); give more of the id", name, ErrAmbiguous, len(list))
}

// save writes a row.
func (r *record) save(ctx context.Context, tx *sql.Tx) error {
	until := ""
	if r.until != nil {
		until = stamp(*r.until)
	}
	_, err := tx.ExecContext(ctx, `insert into alerts (id, unit, facts, supported, decision, decided_until, explained_by, order_id)
		values (?, ?, ?, ?, ?, ?, ?, ?)
		on conflict (id) do update set unit = excluded.unit, facts = excluded.facts, supported = excluded.supported,
			decision = excluded.decision, decided_until = excluded.decided_until,
			explained_by = excluded.explained_by, order_id = excluded.order_id`,
		r.id, r.alert.Unit, r.facts, r.supported, string(r.decision), until, r.explained, r.order)
	return err
}

// List is the alerts in the order of Rank: the standing ones, or all. It is never nil.
func (b *Book) List(ctx context.Context, all bool) ([]Alert, error) {
	rs, err := records(ctx, b.db, "")
	if err != nil {
		return nil, fmt.Errorf("alert book: %w", err)
	}
	now, list := b.now(), []Alert{}
	for _, r := range rs {
		if a := r.shown(now); all || a.State.Standing() {
			list = append(list, a)
		}
	}
	Rank(list)
	return list, nil
}

// Get is one alert, by its id or the beginning of it, with its history, the oldest step first. The error
// wraps ErrNotFound or ErrAmbiguous.
func (b *Book) Get(ctx context.Context, name string) (*Alert, []AuditEntry, error) {
	r, err := find(ctx, b.db, name)
	if err != nil {
		return nil, nil, fmt.Errorf("alert book: %w", err)
	}
	a := r.shown(b.now())
	history, err := b.history(ctx, r.id)
	if err != nil {
		return nil, nil, fmt.Errorf("alert book: history of %s: %w", r.id, err)
	}
	return &a, history, nil
}

func (b *Book) history(ctx context.Context, id string) ([]AuditEntry, error) {
	rows, err := b.db.QueryContext(ctx, `select at, who, from_state, to_state, why from alert_audit where alert_id = ? order by seq`, id)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	list := []AuditEntry{}
	for rows.Next() {
		var e AuditEntry
		var at string
		if err := rows.Scan(&at, &e.Who, &e.From, &e.To, &e.Why); err != nil {
			return nil, err
		}
		t, err := date(at)
		if err != nil {
			return nil, err
		}
		if t != nil {
			e.At = *t
		}
		list = append(list, e)
	}
	return list, rows.Err()
}

// Units are the units that have alerts in the book, in order.
func (b *Book) Units(ctx context.Context) ([]string, error) {
	rows, err := b.db.QueryContext(ctx, `select distinct unit from alerts order by unit`)
	if err != nil {
		return nil, fmt.Errorf("alert book: %w", err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var u string
		if err := rows.Scan(&u); err != nil {
			return nil, fmt.Errorf("alert book: %w", err)
		}
		out = append(out, u)
	}
	return out, rows.Err()
}
