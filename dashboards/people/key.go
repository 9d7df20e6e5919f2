package people

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// A Key lets a program in under a person's name.
type Key struct {
	ID       string    `json:"-"`
	Owner    string    `json:"owner"`
	Label    string    `json:"label"` // what it is for
	Role     Role      `json:"role"`
	MadeAt   time.Time `json:"made_at"`
	EndsAt   time.Time `json:"ends_at"`
	LastUsed time.Time `json:"-"`
	Revoked  time.Time `json:"revoked,omitzero"`
	digest   digest
	written  time.Time
}

// keyMark begins every key, so that one that was left in a file is found and known for what it is.
const keyMark = "mlk_"

// Bounds of keys.
const (
	mostKeys   = 50                   // of one person
	longestKey = 366 * 24 * time.Hour // what is never renewed is never looked at
)

// AddKey makes a key of a person and returns it, for the only time.
func (r *Register) AddKey(ctx context.Context, by, owner, label string, role Role, ends time.Time) (key string, err error) {
	label = strings.TrimSpace(label)
	now := r.now().UTC()
	if role, err = ParseRole(string(role)); err != nil {
		return "", err
	}
	switch {
	case label == "" || len(label) > 60:
		return "", fmt.Errorf("%w: say in 1 to 60 characters what the key is for", ErrInput)
	case !ends.After(now) || ends.Sub(now) > longestKey:
		return "", fmt.Errorf("%w: a key ends within a year from now", ErrInput)
	}
	r.change.Lock()
	defer r.change.Unlock()
	p, err := r.Person(owner)
	if err != nil {
		return "", err
	}
	if !KeyRole(p.Role, role) {
		return "", fmt.Errorf("%w: role %s is not one for a key of a person whose role is %s: a key has no more than its owner, and none administers", ErrInput, role, p.Role)
	}
	n := 0
	for _, k := range r.Keys(p.Name) {
		if k.Revoked.IsZero() && k.EndsAt.After(now) {
			n++
		}
	}
	if n >= mostKeys {
		return "", fmt.Errorf("%w: %s has %d keys in force: revoke one first", ErrInput, p.Name, n)
	}
	secret := token()
	k := &Key{ID: strings.ToLower(rand.Text()[:10]), Owner: p.Name, Label: label, Role: role, MadeAt: now, EndsAt: ends.UTC()}
	key = keyMark + k.ID + "_" + secret
	k.digest = digestOf(key)
	err = r.saveKey(ctx, k, func(tx *sql.Tx) error {
		return r.note(ctx, tx, by, "key made", p.Name, fmt.Sprintf("%s, %s, %s, until %s", k.ID, k.Label, k.Role, k.EndsAt.Format(time.DateOnly)))
	})
	return key, err
}

func (r *Register) saveKey(ctx context.Context, k *Key, note func(tx *sql.Tx) error) error {
	body, err := json.Marshal(k)
	if err != nil {
		return err
	}
	err = r.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `insert into people_keys (id, digest, body) values (?, ?, ?) on conflict (id) do update set body = excluded.body`, k.ID, k.digest.String(), string(body))
		return errors.Join(err, note(tx))
	})
	if err != nil {
		return err
	}
	r.mu.Lock()
	r.keys[k.ID] = k
	r.mu.Unlock()
	return nil
}

// Keys are those of a person, of everybody where the name is "", the newest first.
func (r *Register) Keys(owner string) []Key {
	r.mu.RLock()
	defer r.mu.RUnlock()
	list := []Key{}
	for _, k := range r.keys {
		if owner == "" || k.Owner == owner {
			list = append(list, *k)
		}
	}
	slices.SortFunc(list, func(a, b Key) int {
		return cmp.Or(b.MadeAt.Compare(a.MadeAt), strings.Compare(a.ID, b.ID))
	})
	return list
}

// Revoke ends a key at once. With an owner, only that person's keys are found.
func (r *Register) Revoke(ctx context.Context, by, owner, id string) error {
	r.change.Lock()
	defer r.change.Unlock()
	var k Key
	r.mu.RLock()
	if held := r.keys[id]; held != nil {
		k = *held
	}
	r.mu.RUnlock()
	if k.ID == "" || owner != "" && k.Owner != owner {
		return fmt.Errorf("key %q: %w", id, ErrNotFound)
	}
	if !k.Revoked.IsZero() {
		return nil
	}
	k.Revoked = r.now().UTC()
	return r.saveKey(ctx, &k, func(tx *sql.Tx) error { return r.note(ctx, tx, by, "key revoked", k.Owner, k.ID+", "+k.Label) })
}

// Bearer is the caller whom an API key lets in; nil where it is none, or it ended.
func (r *Register) Bearer(ctx context.Context, key string) *Caller {
	rest, ok := strings.CutPrefix(key, keyMark)
	id, _, two := strings.Cut(rest, "_")
	if !ok || !two || len(key) > 200 {
		return nil
	}
	d, now := digestOf(key), r.now().UTC()
	r.mu.Lock()
	k := r.keys[id]
	if k == nil || subtle.ConstantTimeCompare(k.digest[:], d[:]) != 1 || !k.Revoked.IsZero() || !now.Before(k.EndsAt) {
		r.mu.Unlock()
		return nil
	}
	p := r.people[k.Owner]
	if p == nil || p.Disabled || p.Temporary {
		r.mu.Unlock()
		return nil
	}
	c := &Caller{Name: p.Name + " (key " + k.Label + ")", Person: p.Name, Depots: p.Depots, may: abilities[k.Role] & abilities[p.Role] &^ Manage,
		bound: p.Role == Shop || k.Role == Shop, Key: true}
	k.LastUsed = now
	write := now.Sub(k.written) >= seenEvery
	if write {
		k.written = now
	}
	r.mu.Unlock()
	if write { // a column of its own: it must never write over a revocation
		if _, err := r.db.ExecContext(ctx, `update people_keys set used_at = ? where id = ?`, stamp(now), id); err != nil {
			r.log.Warn("the last use of a key was not stored", "err", err)
		}
	}
	return c
}
