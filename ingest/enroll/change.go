package enroll

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nkeys"
)

// A Credential is what a dongle gets, shown once.
type Credential struct {
	Device   string `json:"device"`
	Seed     string `json:"nats_seed"`         // NATS: the nkey's seed, what libraries read as a seed file
	Nkey     string `json:"nats_nkey"`         // NATS: its public part
	Inbox    string `json:"nats_inbox_prefix"` // NATS: prefix of the subjects of its answers, as secret as the rest
	User     string `json:"mqtt_user"`
	Password string `json:"mqtt_password"`
}

// Enroll makes the first credential of a dongle, or one anew after all were ended.
func (r *Register) Enroll(ctx context.Context, name, who string) (*Credential, error) {
	return r.issue(ctx, name, who, "enrolled", func(live []*credential) (time.Time, error) {
		if len(live) > 0 {
			return time.Time{}, fmt.Errorf("dongle %q %w", name, ErrKnown)
		}
		return time.Time{}, nil
	})
}

// Rotate makes a new credential; the present ones end after the overlap.
func (r *Register) Rotate(ctx context.Context, name, who string, overlap time.Duration) (*Credential, error) {
	if overlap < 0 {
		return nil, fmt.Errorf("overlap %v %w: 0 or more", overlap, ErrInput)
	}
	return r.issue(ctx, name, who, "rotated", func(live []*credential) (time.Time, error) {
		if len(live) == 0 {
			return time.Time{}, fmt.Errorf("dongle %q %w", name, ErrUnknown)
		}
		return r.now().Add(overlap), nil
	})
}

func (r *Register) issue(ctx context.Context, name, who, what string, before func(live []*credential) (ends time.Time, err error)) (*Credential, error) {
	if !device.MatchString(name) {
		return nil, fmt.Errorf("device name %q %w: 1 to 64 of A-Z a-z 0-9 _ -", name, ErrInput)
	}
	r.change.Lock()
	defer r.change.Unlock()
	ends, err := before(r.live(name))
	if err != nil {
		return nil, err
	}
	user, err := nkeys.CreateUser()
	if err != nil {
		return nil, fmt.Errorf("enroll: %w", err)
	}
	defer user.Wipe()
	pub, err := user.PublicKey()
	if err != nil {
		return nil, fmt.Errorf("enroll: %w", err)
	}
	out := &Credential{Device: name, Nkey: pub, User: name, Password: random(32), Inbox: "_INBOX_" + random(16)}
	seed, err := user.Seed()
	if err != nil {
		return nil, fmt.Errorf("enroll: %w", err)
	}
	out.Seed = string(seed)
	c := &credential{nkey: pub, device: name, inbox: out.Inbox, password: sha256.Sum256([]byte(out.Password)), issued: r.now().UTC()}
	detail := ""
	if !ends.IsZero() {
		detail = "the credential before ends at " + ends.UTC().Format(time.RFC3339)
	}
	err = r.write(ctx, func(tx *sql.Tx) error {
		if !ends.IsZero() {
			if err := end(ctx, tx, name, ends); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, "insert into dongle_credential (nkey, device, inbox, password_sha256, issued_at) values (?, ?, ?, ?, ?)",
			c.nkey, c.device, c.inbox, hex.EncodeToString(c.password[:]), c.issued.Format(time.RFC3339Nano))
		return errors.Join(err, r.note(ctx, tx, name, what, who, detail))
	})
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.endAll(name, ends)
	r.add(c)
	return out, nil
}

// Revoke ends all credentials of a dongle at once.
func (r *Register) Revoke(ctx context.Context, name, who, why string) error {
	r.change.Lock()
	defer r.change.Unlock()
	if len(r.live(name)) == 0 {
		return fmt.Errorf("dongle %q %w", name, ErrUnknown)
	}
	now := r.now()
	err := r.write(ctx, func(tx *sql.Tx) error {
		return errors.Join(end(ctx, tx, name, now), r.note(ctx, tx, name, "revoked", who, why))
	})
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.endAll(name, now)
	return nil
}

// Moved writes into the history that a dongle went from one unit to another; "" = none. The roster says where it is.
func (r *Register) Moved(ctx context.Context, name, from, to, who string) error {
	r.change.Lock()
	defer r.change.Unlock()
	if from == "" {
		from = "no unit"
	}
	return r.write(ctx, func(tx *sql.Tx) error {
		return r.note(ctx, tx, name, "moved", who, fmt.Sprintf("from %s to %s", from, to))
	})
}

func (r *Register) live(name string) (live []*credential) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.devices[name] {
		if c.valid(r.now()) {
			live = append(live, c)
		}
	}
	return live
}

func (r *Register) endAll(name string, at time.Time) {
	if at.IsZero() {
		return
	}
	for _, c := range r.devices[name] {
		if c.ends.IsZero() || c.ends.After(at) {
			c.ends = at
		}
	}
}

func end(ctx context.Context, tx *sql.Tx, name string, at time.Time) error {
	text := at.UTC().Format(time.RFC3339Nano)
	_, err := tx.ExecContext(ctx, "update dongle_credential set ends_at = ? where device = ? and (ends_at is null or ends_at > ?)", text, name, text)
	return err
}

func (r *Register) write(ctx context.Context, do func(tx *sql.Tx) error) error {
	tx, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("enroll: %w", err)
	}
	if err := do(tx); err != nil {
		return errors.Join(fmt.Errorf("enroll: %w", err), tx.Rollback())
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("enroll: %w", err)
	}
	return nil
}

func (r *Register) note(ctx context.Context, tx *sql.Tx, name, what, who, detail string) error {
	if who == "" {
		return errors.New("a change needs a person")
	}
	_, err := tx.ExecContext(ctx, "insert into dongle_history (at, device, what, who, detail) values (?, ?, ?, ?, ?)",
		r.now().UTC().Format(time.RFC3339Nano), name, what, who, detail)
	return err
}

// A Dongle is one line of the list.
type Dongle struct {
	Device string
	State  string // enrolled, rotating or revoked
	Issued time.Time
	Ends   time.Time // of the newest credential; zero: not
}

// List gives every dongle that was ever enrolled, by name.
func (r *Register) List() []Dongle {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := make([]Dongle, 0, len(r.devices))
	for name, all := range r.devices {
		newest, live := all[len(all)-1], 0
		for _, c := range all {
			if c.valid(r.now()) {
				live++
			}
		}
		d := Dongle{name, "enrolled", newest.issued, newest.ends}
		switch {
		case live == 0:
			d.State = "revoked"
		case live > 1:
			d.State = "rotating"
		}
		out = append(out, d)
	}
	slices.SortFunc(out, func(a, b Dongle) int { return strings.Compare(a.Device, b.Device) })
	return out
}

// An Event is one line of the history.
type Event struct {
	At                        time.Time
	Device, What, Who, Detail string
}

// History gives what happened, the oldest first; name "" = to all dongles.
func (r *Register) History(ctx context.Context, name string) ([]Event, error) {
	rows, err := r.db.QueryContext(ctx, "select at, device, what, who, detail from dongle_history where ? in ('', device) order by id", name)
	if err != nil {
		return nil, fmt.Errorf("enroll: %w", err)
	}
	defer rows.Close()
	var out []Event
	for rows.Next() {
		var e Event
		var at string
		if err := rows.Scan(&at, &e.Device, &e.What, &e.Who, &e.Detail); err != nil {
			return nil, fmt.Errorf("enroll: %w", err)
		}
		if e.At, err = time.Parse(time.RFC3339Nano, at); err != nil {
			return nil, fmt.Errorf("enroll: %w", err)
		}
		out = append(out, e)
	}
	return out, rows.Err()
}
